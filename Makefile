# Two commands matter: `make demo` and `make test`. With python3 (3.11 or newer) and make they
# build .venv, install the hashed lock, and go.
PYTHON ?= python3
PORT ?= 8000
DEMO_DATA ?= .demo
TESTERS ?= 3
# Whole modules, in the order that tests/conftest.py gives them.
SHARED := --dist loadfile --no-loadscope-reorder
VENV := .venv
BIN := $(VENV)/bin
UV := $(BIN)/uv

# Where this is set (many container images do), every process that a test starts compiles every module anew: 2 s each.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: install demo test test-rooms test-browser check compiled lock clean

install: $(VENV)/.installed

# uv installs the lock about ten times faster than pip; pip itself only brings uv.
$(VENV)/.installed: requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(0 if (3, 11) <= sys.version_info[:2] <= (3, 13) else "Fairhearing needs Python 3.11, 3.12 or 3.13; this is %d.%d. Name another one with PYTHON=." % sys.version_info[:2])'
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@test -x $(UV) || $(BIN)/python -m pip install --quiet --disable-pip-version-check "uv>=0.5"
	@VIRTUAL_ENV=$(VENV) $(UV) pip install --quiet --require-hashes -r requirements.lock
	@VIRTUAL_ENV=$(VENV) $(UV) pip install --quiet --no-deps --editable .
	@touch $@

$(VENV)/.tested: $(VENV)/.installed tests/requirements.lock
	@VIRTUAL_ENV=$(VENV) $(UV) pip install --quiet --require-hashes -r tests/requirements.lock
	@touch $@

demo: install
	@$(BIN)/fairhearing demo --data $(DEMO_DATA) --port $(PORT)

# Three processes to two cores: a quarter of the time goes into waiting for servers, half of it where a browser is driven. The
# two kinds don't run beside each other: recordings come in at the speed of sound, and the rooms leave no processor for them.
test: $(VENV)/.tested
	@$(MAKE) --no-print-directory -j 2 check compiled
	@$(MAKE) --no-print-directory test-rooms
	@$(MAKE) --no-print-directory test-browser

test-rooms: $(VENV)/.tested
	@$(BIN)/python -m pytest -m "not browser" -n $(TESTERS) $(SHARED)

test-browser: $(VENV)/.tested
	@$(BIN)/python -m pytest -m browser -n $(TESTERS) $(SHARED)

# The loops of the listening, compiled once beside the checks: else each process that begins with them does it.
compiled: $(VENV)/.installed
	@$(BIN)/python -c 'from app.services.measuring import warm_up; warm_up()'

check: $(VENV)/.tested
	@$(BIN)/ruff check app tests benchmarks alembic
	@$(BIN)/ruff format --check app tests benchmarks alembic
	@$(BIN)/lint-imports
	@$(BIN)/mypy

# Rewrite both locks after changing pyproject.toml. They carry hashes and name no host.
lock: $(VENV)/.installed
	@$(UV) pip compile pyproject.toml --generate-hashes --universal --python-version 3.11 --no-header --no-annotate \
	  --no-emit-index-url --no-emit-find-links --quiet -o requirements.lock
	@$(UV) pip compile pyproject.toml --group test -c requirements.lock --generate-hashes --universal --python-version 3.11 \
	  --no-header --no-annotate --no-emit-index-url --no-emit-find-links --quiet -o tests/requirements.lock

clean:
	rm -rf $(VENV) .demo .pytest_cache .mypy_cache .ruff_cache .import_linter_cache
