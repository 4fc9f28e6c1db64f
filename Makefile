# firstcause: two commands matter to a stranger, `make try` and `make test`. Needs make and Python 3.11 or newer.

# The first Python on the path that is new enough and really starts (a version manager's stub may not).
PYTHON ?= $(shell for p in python3.11 python3.12 python3.13 python3; do \
	$$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && { echo $$p; break; }; done)
BIN := .venv/bin
WORKERS ?= 2
FUZZ_SECONDS ?= 600

# Stamps: what .venv holds. A changed lock or pyproject.toml is newer than its stamp and installs again.
MADE := .venv/.made
RUN := .venv/.installed-run
DEV := .venv/.installed-dev

# uv is quick; plain pip does the same from the same lock where uv cannot be had or cannot reach the packages.
define install_lock
	$(BIN)/uv pip install --quiet --python $(BIN)/python --require-hashes -r $(1) \
	|| { echo "uv could not install; trying pip (slower)"; $(BIN)/python -m pip install --quiet --require-hashes -r $(1); }
endef

# How a lock is made: every platform, every hash, no registry address.
COMPILE := $(BIN)/uv pip compile --universal --python-version 3.11 --generate-hashes \
	--no-header --no-annotate --no-emit-index-url --no-emit-find-links --quiet

.PHONY: help setup try test fuzz check bench lock clean
.DEFAULT_GOAL := help

help: ## list the targets
	@grep -E '^[a-z]+:.*## ' Makefile | sed -E 's/^([a-z]+):.*## /\1\t/' | while IFS="$$(printf '\t')" read -r name what; do \
		printf '  make %-7s %s\n' "$$name" "$$what"; done

setup: $(DEV) ## build .venv with all that running, testing and checking need
	@echo ".venv is ready; the command is $(BIN)/firstcause"

try: $(RUN) ## play two whole cases on the virtual car; leaves the folder tryout/
	@$(BIN)/firstcause tryout --into tryout

test: $(DEV) ## run the tests (WORKERS=2)
	@sh tools/debian-for-tests.sh
	@$(BIN)/pytest -n $(WORKERS) --dist loadgroup

fuzz: $(DEV) ## throw bytes at decoders and transport, led by coverage (FUZZ_SECONDS=600; Linux)
	FUZZ_SPOILT=200000 FUZZ_SESSIONS=2000 $(BIN)/pytest -q tests/fuzz
	PYTHONPATH=src:. $(BIN)/python -m tests.fuzz.run --seconds $(FUZZ_SECONDS)

check: $(DEV) ## lint, types, and the import contract
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/pytest -q tests/test_architecture.py tests/test_architecture_hygiene.py

bench: $(DEV) ## run every benchmark in benchmarks/
	@set -e; for script in benchmarks/[!_]*.py; do \
		test -e "$$script" || { echo "no benchmark in benchmarks/"; exit 1; }; \
		echo "== $$script"; $(BIN)/python "$$script"; done

lock: $(MADE) ## make the lock files again after a change in pyproject.toml
	$(COMPILE) --group build -o requirements/run.txt pyproject.toml
	$(COMPILE) --group build --group dev -c requirements/run.txt -o requirements/dev.txt pyproject.toml

clean: ## remove what building, testing and trying leave behind (.venv stays)
	rm -rf tryout build dist .mypy_cache .ruff_cache .pytest_cache .hypothesis
	find src tests benchmarks -name __pycache__ -type d -prune -exec rm -rf {} +

$(MADE): requirements/uv.txt
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer was not found; nothing was changed. Install it, or say: make PYTHON=/path/to/python3"; exit 1; }
	@$(PYTHON) -m venv .venv || { echo "The environment was not made. On Debian: apt-get install python3-venv, then run make again."; exit 1; }
	@$(BIN)/python -m pip install --quiet --require-hashes -r requirements/uv.txt || echo "uv cannot be had here; pip will do"
	@touch $@

$(RUN): $(MADE) requirements/run.txt pyproject.toml
	@echo "Installing what firstcause runs on (requirements/run.txt) ..."
	@$(call install_lock,requirements/run.txt)
	@$(BIN)/python -m pip install --quiet --no-build-isolation --no-deps --editable .
	@touch $@

$(DEV): $(RUN) requirements/dev.txt
	@echo "Installing what tests and checks need (requirements/dev.txt) ..."
	@$(call install_lock,requirements/dev.txt)
	@touch $@
