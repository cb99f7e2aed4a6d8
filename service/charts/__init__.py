"""Drawings of figures as SVG, without a script, a colour that carries meaning alone, or a request."""
