"""Reading: from bytes to samples."""
