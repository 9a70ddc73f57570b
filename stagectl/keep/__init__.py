"""What the nights taught goes back into the setlist.

`again` plays a night again; `wished` watches what stood (`told`) when each song was left, as far as the journal's rows
show it (`shown`). `evidence` says what of it the setlist does not have yet, `decide` where it belongs, by what is
`steady`; `offers` says what that changes in the setlist, `splice` changes its text, `nights` puts it all together and
proves it, `words` tells it. All of these are pure; `write` is the one that writes.
"""
