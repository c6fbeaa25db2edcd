"""Two tablets, a line that breaks, a server that is killed: does every entry arrive, once, in order, or ask?

A run enters notes on two tablets (a real Chromium each, with a profile on the disk), corrects its own and shared ones,
and meanwhile cuts the line at random, kills the server with SIGKILL, kills the browser with SIGKILL, and turns the
tablets' clocks. Afterwards the database and the change trail are compared with what was entered and what was chosen.
"""
