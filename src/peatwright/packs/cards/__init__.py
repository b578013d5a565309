"""Operator cards, method pages and the site page: what the person in the cab reads."""
