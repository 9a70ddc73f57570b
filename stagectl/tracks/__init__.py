"""Backing-track players."""
