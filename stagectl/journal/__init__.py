"""The record of every change of a night: one SQLite file a night, written before the desk hears of it.

`write` keeps it, `read` gives it back, `paths` says where the nights are. A press is one transaction.
"""
