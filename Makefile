# Every target sets up what it needs. The environment is made once and again only when pyproject.toml changes.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.made

.PHONY: demo test lint benchmark faults clean

$(STAMP): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Python 3.11 or newer is needed: set PYTHON=/path/to/python3.11"; exit 2; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[files,dev]'
	@touch $@

demo: $(STAMP)
	$(BIN)/dutylog demo $(DEMO_ARGS)

test: $(STAMP) lint
	$(BIN)/python -m pytest -n 2 --durations 20 -m "not slow" $(TEST_ARGS)

lint: $(STAMP)
	$(BIN)/ruff check src tests
	$(BIN)/ruff format --check src tests
	$(BIN)/mypy

benchmark: $(STAMP)
	$(BIN)/python -m tests.benchmark

faults: $(STAMP)
	$(BIN)/python -m pytest -m slow --durations 20 $(TEST_ARGS)

clean:
	rm -rf $(VENV) build dist
