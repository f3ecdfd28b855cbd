"""Artifacts read once: what they are, what is in them, and where that lies."""
