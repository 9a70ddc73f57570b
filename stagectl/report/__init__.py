"""The night report: one page to look at, made from a night's journal, and the list of all nights.

`build` makes the figures (`figures`) of a journal: `gather` and `levels` read it, `hearing` follows the mixes,
`planned` adds what only the show knows. `page` draws them (`on_…` the sections, `draw_…` the drawings), `as_json` tells
them to programs, `keep` writes the file; `listing` is the list of all nights. Only `build`, `gather`, `levels`,
`listing` and `keep` read or write anything.
"""
