"""Sessions on disk: everything that came in, and everything that was decided."""
