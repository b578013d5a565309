"""Contract papers: bill, method statement, hazard register and lists, made to be edited."""
