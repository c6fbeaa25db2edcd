"""Who a code stands for: codes merged into others, and which identifiers are nearly the same."""
