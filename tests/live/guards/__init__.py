"""Guards as processes, and who watches them."""
