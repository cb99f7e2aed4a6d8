"""lopside: says when one member of a team runs hot while its siblings idle."""

__version__ = "0.1.0"
