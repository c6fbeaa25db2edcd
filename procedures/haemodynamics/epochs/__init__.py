"""Beats of an epoch: whole breaths, statistics, the average loop."""
