"""How big a backup may be. Whatever `pack` writes keeps within these, and `check` takes nothing beyond them.

They are far below where the zip format needs its 64-bit fields (4 GiB, 65,535 files), so that a file with those is none
of ours.
"""

from __future__ import annotations

from typing import Final

FORMAT: Final = 1
"""The layout of the file. A higher one is not read."""

MANIFEST: Final = "manifest.json"

MANIFEST_MAX: Final = 2**20
"""Bytes of the manifest."""

FILES_MAX: Final = 1_000
"""Files in one backup, the manifest counted."""

DIRECTORY_MAX: Final = FILES_MAX * 1_024
"""Bytes of the zip's own list of its files: a kilobyte each."""

FILE_MAX: Final = 2**30
"""Bytes of one file: a journal of some ten million rows."""

TOTAL_MAX: Final = 2**31 - 2**24
"""Bytes of all files together."""

ZIP_MAX: Final = 2**31 - 1
"""Bytes of the zip itself."""

RATIO_MAX: Final = 200
"""How many times its packed size a file may have. Journals come to some 10; deflate (RFC 1951) gets to about 1,000 with
a file that says nothing. What would be packed tighter is put in unpacked."""

RATIO_FROM: Final = 2**16
"""Bytes from which on the ratio counts."""

PATH_MAX: Final = 1_000
"""Bytes of a file's whole path in the backup, in UTF-8."""

PART_MAX: Final = 255
"""Bytes of one part of a path, in UTF-8: what file systems in use can hold."""

DEPTH_MAX: Final = 16
"""Parts of a path."""

CHUNK: Final = 2**18
"""Bytes read and written at once."""
