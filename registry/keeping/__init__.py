"""Keeping the registry: a sealed backup of database and recordings, its verification, and putting it back.

``sealing`` writes and opens sealed files, ``dumps`` takes a database out and puts it in, ``manifest`` says what a
backup holds, ``taking`` makes one, ``giving`` verifies and restores. Commands: ``backup``, ``verify_backup``,
``restore``.
"""
