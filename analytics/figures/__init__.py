"""Figures, as values that the page's script draws."""
