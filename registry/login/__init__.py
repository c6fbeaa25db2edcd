"""Log-in, second factors and sessions: what we set and word of the library django-allauth."""
