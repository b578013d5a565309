# Two commands do everything: `make demo` runs the main job on an invented site, `make test` checks it all.
.PHONY: demo test lint locks bench clean
BIN := .venv/bin

demo:
	tools/setup.sh run
	$(BIN)/peatwright demo demo-site --run

test: lint
	NUMBA_BOUNDSCHECK=1 NUMBA_CACHE_DIR=.numba_cache/checked $(BIN)/python -m pytest -n 2 tests/kernels
	$(BIN)/python -m pytest -n 2

lint:
	tools/setup.sh dev
	$(BIN)/ruff check src tests benchmarks tools
	$(BIN)/ruff format --check src tests benchmarks tools
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

# Rewrites the locked versions (with hashes, without any registry address).
locks:
	$(BIN)/python -m uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-emit-index-url --no-annotate pyproject.toml -o locks/run.txt
	$(BIN)/python -m uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-header --no-emit-index-url --no-annotate pyproject.toml --group dev -o locks/dev.txt

bench:
	tools/setup.sh dev
	$(BIN)/python -m benchmarks

clean:
	rm -rf .venv demo-site
