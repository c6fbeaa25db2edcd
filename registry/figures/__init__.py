"""Figures of the registry as data and layout; the page's script draws them."""
