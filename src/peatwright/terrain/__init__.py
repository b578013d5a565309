"""Arrays of ground: sampling, relief, shading, depression filling and flow routing.

Kernels work on plain arrays; faces check, allocate and return new arrays.
"""


def warm() -> None:
    """Compile the package's kernels on tiny arrays; a few seconds the first time, then none."""
    from peatwright.terrain._warm import warm as run  # noqa: PLC0415 - the compiler loads slowly

    run()
