"""The Whimbrel build: a made-up tide-gauge logger, written by the project itself."""
