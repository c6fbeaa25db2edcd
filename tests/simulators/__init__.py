"""Signals with a known truth, made from the physiology by somebody who had not read the engines.

They share nothing with ``fixtures/generator``: another source model, other shapes, other noise.
"""
