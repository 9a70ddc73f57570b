"""Tests of backups."""
