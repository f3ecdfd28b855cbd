"""What the boot does with the artifacts, followed on paper."""
