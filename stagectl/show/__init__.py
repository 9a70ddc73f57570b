"""What the user writes: rig, setlist, mapping and profile; reading, checking, compiling. No I/O library."""
