"""Conversation records that exporters send by UDP: the sockets, what was heard from whom, and keeping it."""
