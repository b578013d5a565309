"""The command line (and later the desk): parse, one call, show the result.

No computing of the trade lives here.
"""
