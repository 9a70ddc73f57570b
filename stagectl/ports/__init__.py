"""MIDI ports and UDP sockets: finding, opening, sending. The only place that knows the drivers."""
