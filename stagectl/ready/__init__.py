"""The look before doors: is everything that tonight needs here, and what is to be done where it is not? Each file is
one look: what it reads, and a pure judgement of that. Nothing is changed; a desk is only asked (`live/dry.py`)."""
