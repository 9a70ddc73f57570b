"""The same night with no hardware: the real core, profiles and desk bytes, under a virtual clock."""
