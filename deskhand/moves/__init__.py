"""From findings to the fewest settings that bring a source home, proved by running its chain again."""
