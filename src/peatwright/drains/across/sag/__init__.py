"""The sag beside a drain: averaged along it, fitted by one shape a side, and the ground beyond."""
