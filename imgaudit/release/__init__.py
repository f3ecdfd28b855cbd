"""What a release was sealed as, and dumps of boards that are held against it."""
