"""What an ear says of a message that no control stands for."""

from __future__ import annotations

from typing import Final

SAID_MAX: Final = 60
"""Characters of an unknown message that are recorded."""
