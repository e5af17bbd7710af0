"""Search among many patterns: candidates of a family, their features, what they tell of each other."""
