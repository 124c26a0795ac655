# Two commands matter: `make demo` and `make test`. Everything else is for developers.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
export NUMBA_NUM_THREADS ?= 1

.PHONY: demo test lint types bench campaign lock clean help setup setup-dev

help:            ## this list
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed 's/:[^#]*##/\t/' | expand -t 14

demo: setup      ## set up, then simulate a dead stick and recover it blind
	$(BIN)/deadstick demo --out demo-case

test: setup-dev  ## set up, then the whole test suite, linters and types
	sh scripts/test-tools.sh
	$(MAKE) --no-print-directory lint types
	$(BIN)/python -m pytest

lint: setup-dev  ## ruff and the import contracts
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports

types: setup-dev ## mypy, strict
	$(BIN)/mypy

bench: setup-dev ## benchmarks, each against a public reference in the same run
	$(BIN)/python -m pytest benchmarks --benchmark-only --benchmark-columns=median,min,rounds -q

campaign: setup-dev ## the long seeded campaigns, whole
	$(BIN)/python -m pytest -m campaign --timeout=7200

setup: $(VENV)/.run           ## the environment that the program needs
setup-dev: $(VENV)/.dev       ## the environment that its developers need

$(VENV)/bin/python:
	sh scripts/make-venv.sh "$(PYTHON)" "$(VENV)"

$(VENV)/.run: locks/run.txt pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --require-hashes -r locks/run.txt
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/.dev: locks/dev.txt $(VENV)/.run | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --require-hashes -r locks/dev.txt
	@touch $@

lock:            ## renew the lock files (needs uv)
	uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate --no-header --output-file locks/run.txt pyproject.toml locks/build.in
	uv pip compile -q --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-annotate --no-header --extra dev -c locks/run.txt --output-file locks/dev.txt pyproject.toml locks/build.in

clean:           ## remove what make made
	rm -rf $(VENV) demo-case
