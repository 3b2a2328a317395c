"""The scheme engine: layouts as data, matching on sets of characters, near misses, readings."""
