"""Learning a pedal: from what it sends while a foot moves it to a mapping file."""
