# Each target works alone, on a fresh clone, with nothing but Python 3.11 or later and the package index.
# Where there is no make (Windows), README.md spells out the commands.

VENV ?= .venv
BIN := $(VENV)/bin
UV := uv==0.13.9

# The first Python that is new enough; give another one with `make PYTHON=/path/to/python test`.
PYTHON ?= $(shell for p in python3 python3.13 python3.12 python3.11; do \
	if command -v $$p >/dev/null 2>&1 && $$p -c "import sys; sys.exit(sys.version_info < (3, 11))" 2>/dev/null; \
	then echo $$p; break; fi; done)

# The browser tests drive this program; they are left out, and a line says so, where there is none.
DRIFTWATCH_CHROMIUM ?= $(shell command -v chromium || command -v chromium-browser || command -v google-chrome)
export DRIFTWATCH_CHROMIUM
MARKS := not prove$(if $(strip $(DRIFTWATCH_CHROMIUM)),, and not browser)

.PHONY: help demo test check prove screens lock clean

help:
	@echo "make demo    set up, then build the demo's store and reports in the folder demo"
	@echo "make test    set up, then check style, types and the order of the blocks, and run the tests"
	@echo "make prove   set up, then run the long proofs and print the scorecard"
	@echo "make screens set up, then take the pictures in the folder reports anew (needs Chromium)"
	@echo "make lock    work out the pinned requirements anew (UPGRADE=--upgrade takes newer versions)"
	@echo "make clean   remove what the other targets made, the demo too"

# A demo that is there already is left alone: somebody may have tried things on it.
demo: $(VENV)/.set-up-run
	@if [ -e demo/driftwatch.duckdb ]; then \
		echo "The demo is there already; remove the folder demo to have it made anew. Open in a browser:"; \
		ls demo/reports/*.html; \
	else $(BIN)/driftwatch demo demo; fi

test: check
	@if [ -z "$(strip $(DRIFTWATCH_CHROMIUM))" ]; then echo "browser tests left out: no Chromium found"; fi
	$(BIN)/python -m pytest -n 2 --dist loadfile -m "$(MARKS)"

check: $(VENV)/.set-up-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

prove: $(VENV)/.set-up-test
	$(BIN)/python -m pytest -n 2 -m prove
	$(BIN)/python -m tests.bench.scorecard

screens: $(VENV)/.set-up-test
	$(BIN)/python -m tests.bench.screens

# Versions and fingerprints only: the file names no package index.
COMPILE = $(BIN)/uv pip compile --quiet --universal --python-version 3.11 --fork-strategy fewest \
	--generate-hashes --no-emit-index-url --no-emit-find-links --custom-compile-command "make lock" $(UPGRADE)

lock: $(BIN)/python
	$(BIN)/python -m pip install --quiet "$(UV)"
	$(COMPILE) --extra test pyproject.toml requirements/build.in --output-file requirements/test.txt
	$(COMPILE) --constraint requirements/test.txt pyproject.toml requirements/build.in --output-file requirements/run.txt

clean:
	rm -rf $(VENV) demo build dist .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
	find driftwatch tests -name __pycache__ -type d -prune -exec rm -rf {} +

# --- set-up -------------------------------------------------------------------------------------------

$(BIN)/python:
	@if [ -z "$(PYTHON)" ]; then \
		echo "No Python 3.11 or later was found. Install one, or name it: make PYTHON=/path/to/python ..." >&2; \
		exit 1; fi
	@$(PYTHON) -m venv "$(VENV)" || { \
		echo "The environment $(VENV) could not be made (on Debian and Ubuntu: apt-get install python3-venv)." >&2; \
		rm -rf "$(VENV)"; exit 1; }

# The stamps say what is installed, so that a second run has nothing to set up.
$(VENV)/.set-up-%: requirements/%.txt pyproject.toml | $(BIN)/python
	@echo "Installing the locked requirements ($<): a few minutes, the first time only."
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r $<
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	@touch $@
