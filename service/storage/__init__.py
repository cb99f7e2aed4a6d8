"""Keeping: the tables, and one file of questions a noun."""
