"""From terrain and lines to a drain network and its stations, one cross-section a metre.

Also finds drains that nobody has drawn yet.
"""
