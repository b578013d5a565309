"""Where the water goes: storm flow to a dam, what its outlet stands, a storm over the surface, and
the water table between drains. Pure computing on arrays and tables; nothing here touches files.
"""


def warm() -> None:
    """Compile the package's kernels on tiny arrays; some seconds the first time, then none."""
    from peatwright.water._warm import warm as run  # noqa: PLC0415 - the compiler loads slowly

    run()
