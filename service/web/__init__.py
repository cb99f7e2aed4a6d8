"""The HTTP edge: routes, request models, refusals."""
