"""The world under a seed: the whole stage under a virtual clock, with what always holds looked at after every event."""
