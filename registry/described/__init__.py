"""What is known of a field from its model and its forms: words, unit, range, rules.

Imports, quality and the bedside page read it here instead of keeping lists of their own.
"""
