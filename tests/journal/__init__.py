"""Tests of the journal and of the command that tells it."""
