"""Before and after a change: comparable windows, what the difference is worth, and the verdict."""
