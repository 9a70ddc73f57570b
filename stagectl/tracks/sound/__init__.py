"""The built-in track player: sound files, made ready beside the playing, and a process of its own that plays them."""
