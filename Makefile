# `make demo` does the main job on the demo course; `make test` runs every test. Each does its own set-up.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
RUST := $(shell find src -name '*.rs') Cargo.toml Cargo.lock
export PYTHONWARNINGS ?= default

.PHONY: demo test rust python types lint notebooks docs bench clean

demo: $(VENV)/built
	$(BIN)/python -m matledger.demo demo-output

test: lint rust python types notebooks docs

$(VENV)/installed: requirements/dev.txt
	$(PYTHON) -c 'import sys; sys.exit("matledger needs Python 3.11 or newer; set PYTHON=") if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements/dev.txt
	touch $@

$(VENV)/built: $(VENV)/installed $(RUST) pyproject.toml
	VIRTUAL_ENV=$(abspath $(VENV)) $(BIN)/maturin develop --release --quiet
	touch $@

lint: $(VENV)/installed
	cargo fmt --check
	cargo clippy --all-targets --features python -- --deny warnings
	$(BIN)/ruff check
	$(BIN)/ruff format --check

rust:
	cargo test --quiet
	RUSTDOCFLAGS="--deny warnings" cargo doc --no-deps --quiet

python: $(VENV)/built
	$(BIN)/python -m pytest

types: $(VENV)/built
	$(BIN)/mypy
	$(BIN)/python -m mypy.stubtest matledger._core

notebooks: $(VENV)/built
	$(BIN)/python notebooks/run.py

docs: $(VENV)/built
	$(BIN)/python -m sphinx -b html -W --keep-going -q docs docs/_build/html

clean:
	rm -rf target $(VENV) demo-output docs/_build notebooks/_run
