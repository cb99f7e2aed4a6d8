"""Receiving what exporters tell of conversations, and keeping it by member and half minute."""
