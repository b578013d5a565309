"""`python -m peatwright` is the command line."""

from peatwright.faces.cli import main

raise SystemExit(main())
