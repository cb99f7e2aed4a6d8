"""Watching devices by itself: whom to ask when, and what becomes of the answers."""
