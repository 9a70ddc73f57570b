"""The stage page: what a browser shows of the night, and what it may ask for. The page has a process of its own."""
