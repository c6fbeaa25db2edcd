"""Numbers that come from outside, and the running numbers of codes."""
