"""The commands of `lopside`, a file a subject; what they need that is heavy is imported when they run."""
