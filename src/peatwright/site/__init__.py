"""The site folder: reading and checking what is given, the store, fingerprints and the lock.

The only package that reads given files and writes the store.
"""
