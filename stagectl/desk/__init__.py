"""Speaking to a desk: what a level is in bytes, and a desk of our own that hears them."""
