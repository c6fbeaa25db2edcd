"""Forms of the registry's pages, and the fields that every room's forms use."""
