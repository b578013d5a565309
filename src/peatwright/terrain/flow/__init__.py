"""Compiled loops behind `terrain.routing`."""
