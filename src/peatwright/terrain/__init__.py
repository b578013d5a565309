"""Arrays of ground: sampling, relief, shading, depression filling and flow routing.

Kernels work on plain arrays; faces check, allocate and return new arrays.
"""
