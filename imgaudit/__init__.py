"""Audit the images of a two-stage embedded-Linux board before they reach its flash."""

__version__ = "0.1.0"
