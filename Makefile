# Two commands do all the set-up: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
DATA ?= demo-data
RECORDS ?= 10000
RUNS ?= 300

.PHONY: demo test test-postgres test-browser benchmark accuracy tamper faults lint format clean

demo: $(STAMP)
	$(BIN)/polemark demo --data $(DATA)

test: $(STAMP)
	$(BIN)/pytest -q -n auto --ignore tests/browser --ignore tests/db_postgres

test-postgres: $(STAMP)
	$(BIN)/pytest -q -n auto tests/db_postgres

test-browser: $(STAMP)
	$(BIN)/pytest -q -n auto tests/browser

benchmark: $(STAMP)
	$(BIN)/python tests/support/timing_benchmark.py
	$(BIN)/python tests/support/encoder_benchmark.py
	$(BIN)/python tests/support/store_benchmark.py
	$(BIN)/python tests/support/central_benchmark.py

accuracy: $(STAMP)
	$(BIN)/python tests/support/accuracy.py --records $(RECORDS)
	$(BIN)/python tests/support/live_accuracy.py

tamper: $(STAMP)
	$(BIN)/python tests/support/tamper.py

faults: $(STAMP)
	$(BIN)/python tests/support/fault_campaign.py --runs $(RUNS) $(if $(SEED),--seed $(SEED))

lint: $(STAMP)
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports

format: $(STAMP)
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

$(STAMP): pyproject.toml
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "polemark needs Python 3.11 or newer; set PYTHON=python3.11 or similar")'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev]'
	touch $(STAMP)

clean:
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .import_linter_cache .hypothesis
