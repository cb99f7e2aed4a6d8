"""Pushing readings of this host to a service elsewhere, across its absences."""
