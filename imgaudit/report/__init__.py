"""One module per output."""
