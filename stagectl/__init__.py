"""stagectl: in-ear monitor mixes that follow the setlist, moved by the players' own feet."""

__version__ = "0.1.0"
