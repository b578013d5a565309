"""Run every benchmark, or those named: `python -m benchmarks [NAME ...]`."""

from __future__ import annotations

import importlib
import pkgutil
import sys

import benchmarks


def main() -> int:
    """Run the benchmarks one after another, each printing its own table."""
    known = [
        m.name for m in pkgutil.iter_modules(benchmarks.__path__) if not m.name.startswith("_")
    ]
    asked = sys.argv[1:] or known
    unknown = sorted(set(asked) - set(known))
    if unknown:
        print(f"no benchmark {', '.join(unknown)}; there are {', '.join(known)}", file=sys.stderr)
        return 2
    for name in asked:
        print(f"\n== {name} ==", flush=True)
        importlib.import_module(f"benchmarks.{name}").run()
    return 0


raise SystemExit(main())
