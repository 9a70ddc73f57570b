"""What the nights taught goes back into the setlist.

`ledger` reads from the rows of a night what stood (`standing`, `told`) when each song was left, `evidence` says what of
it the setlist does not have yet, `decide` where it belongs, by what is `steady`; `offers` says what that changes in the
setlist, `splice` changes its text, `nights` puts it all together and proves it, `words` tells it. All of these are
pure; `write` is the one that writes.
"""
