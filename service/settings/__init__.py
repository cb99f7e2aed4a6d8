"""What file and environment decide: read once, checked, refused with a remedy."""
