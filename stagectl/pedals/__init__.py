"""Hearing controls: which control of which pedal some bytes mean."""
