"""A show in one file, and back: what it is written as, what it plays from, its nights, the desk's levels.

`gather` says what belongs to a show, `pack` writes it as a zip with a manifest, `check` looks whether such a file is
whole and harmless, `unpack` writes its files into a new folder.
"""
