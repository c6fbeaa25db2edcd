"""Tags of the procedures room."""
