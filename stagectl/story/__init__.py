"""The story of a night in words and rows: what the journal keeps, what `--json` prints, what people read.

All three are told from the same rows, so that they cannot disagree.
"""
