"""The API of the registry, and what the API of every room is built from."""
