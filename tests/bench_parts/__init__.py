"""What the benches share: figures, tables, presses on real ports, what processes hold."""
