"""Tests of what the nights taught going back into the setlist."""
