"""A ramdisk as the tree that the kernel makes of it."""
