"""The families that judge the map itself: what an audit on paper can check, quick to load."""
