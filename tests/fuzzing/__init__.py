"""Made-up requests and damaged files in great number: does anything but a sentence or a result come back?

The long runs are ``tests/bench/fuzz_requests.py`` and ``tests/bench/fuzz_files.py``; the tests do the same with less.
"""
