"""The commands: one thin file each. Heavy libraries are imported where they are used."""
