"""The copies of the partition map that a build carries, each read into the same shape."""
