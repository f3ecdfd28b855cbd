"""The recovery ramdisk as the target sees it."""
