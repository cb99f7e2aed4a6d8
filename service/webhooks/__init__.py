"""Telling: what a receiver is told, how it is signed, when to try again."""
