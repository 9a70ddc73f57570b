"""The daemon: one asyncio loop that joins pedals, core, journal, desk and players."""
