"""Whether each stage starts: proven, refuted, or not known, with the step that decides."""
