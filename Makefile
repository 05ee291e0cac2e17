# Every target sets up what it needs. The environment is made once, and again when pyproject.toml or PYTHON changes it.
PYTHON ?= python3
CHROMIUM ?= /usr/bin/chromium
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.made

# The tests start a thousand processes: compiled once, not by each of them.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test compiled lint benchmark faults i2c-stub hardware pictures dashboards clean

$(STAMP): pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "dutylog needs Python 3.11 or newer, '$(PYTHON)' is none: make PYTHON=/path/to/python3.11 ..." >&2; exit 2; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null \
	  || { echo "'$(PYTHON)' can't make an environment: install python3-venv" >&2; exit 2; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[files,mdf,report,bench,dev]'
	@touch $@

# Runs until Ctrl-C. DEMO_ARGS: see `dutylog demo --help`.
demo: $(STAMP)
	$(BIN)/dutylog demo $(DEMO_ARGS)

# Five at once also on two processors: most of the time a test waits for processes of its own. What the pages have
# made has niceness 19; beside tests that are in a hurry it would get a fiftieth of the time, so they step back, too.
test: $(STAMP)
	@$(MAKE) --no-print-directory -j 2 compiled lint
	@test -x $(CHROMIUM) || echo "no $(CHROMIUM): the tests marked 'browser' are skipped; apt-get install chromium brings them back" >&2
	@command -v pdftotext >/dev/null && ls /usr/lib/*/libpangoft2-1.0.so.0 >/dev/null 2>&1 \
	  || echo "no pdftotext or no Pango: the tests of PDF reports are skipped; apt-get install poppler-utils libpangoft2-1.0-0 brings them back" >&2
	@ls /usr/lib/postgresql/*/bin/postgres >/dev/null 2>&1 || command -v postgres >/dev/null \
	  || echo "no PostgreSQL: the bench's store is tested on SQLite alone; apt-get install postgresql brings it back" >&2
	nice -n 17 $(BIN)/python -m pytest -n 5 --dist worksteal --durations 20 -m "not slow" $(TEST_ARGS)

# Before five processes would each compile the same tests; what is wrong with them the tests say.
compiled: $(STAMP)
	@$(BIN)/python -m compileall -q src
	@$(BIN)/python -m pytest -q --collect-only -m "not slow" >/dev/null 2>&1 || true

lint: $(STAMP)
	$(BIN)/ruff check src tests dashboards
	$(BIN)/ruff format --check src tests dashboards
	$(BIN)/mypy

# Prints figures, judges nothing: the machine decides how long things take.
benchmark: $(STAMP)
	$(BIN)/python -m tests.benchmark $(BENCHMARK_ARGS)

# The long forms of the tests: many kills, long recordings.
faults: $(STAMP)
	$(BIN)/python -m pytest -m slow --durations 20 $(TEST_ARGS)

# Chip drivers against the kernel's own I2C stub, in a machine of its own (qemu-system-x86, busybox-static, cpio).
i2c-stub: $(STAMP)
	mkdir -p build/kernel
	ls build/kernel/*.deb >/dev/null 2>&1 || (cd build/kernel && \
	  apt-get download "$$(apt-cache depends linux-image-amd64 | awk '/Depends:/ {print $$2; exit}')")
	I2C_STUB_KERNEL="$$(ls $(CURDIR)/build/kernel/*.deb)" $(BIN)/python -m pytest -m slow tests/i2c_stub $(TEST_ARGS)

# Chip drivers against real chips: make hardware HARDWARE_I2C_BUS=1
hardware: $(STAMP)
	HARDWARE_I2C_BUS=$(HARDWARE_I2C_BUS) $(BIN)/python -m pytest -m hardware tests/hardware $(TEST_ARGS)

# Makes docs/live-*.png again: one from the demo, the others from made-up states.
pictures: $(STAMP)
	$(BIN)/python tests/browser_shots.py --browser $(CHROMIUM)

# Makes dashboards/*.json again from dashboards/generate.py.
dashboards: $(STAMP)
	$(BIN)/python dashboards/generate.py

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
