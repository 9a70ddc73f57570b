"""What a terminal gets besides the words: styles by the kind of a line, and a sign of life while something takes long.

`styles` is pure; `ink` knows which streams can show styles, `waiting` draws. rich is loaded for a terminal alone.
"""
