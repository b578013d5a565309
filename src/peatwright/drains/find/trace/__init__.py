"""Lines as chains of cells: thinning and linking over gaps."""
