# Two commands need no other set-up: make demo, make test.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

# Tests by files, on as many cores as there are; each takes about 1 GB.
PYTEST := $(BIN)/python -m pytest -n auto --maxprocesses=4 --dist loadfile

.PHONY: demo test test-slow bench lab lint clean

demo: $(STAMP)
	$(BIN)/beamreduce demo -o demo_run

test: $(STAMP)
	$(PYTEST)

test-slow: $(STAMP)
	$(PYTEST) --whole-grid

bench: $(STAMP)
	$(BIN)/python -m tests.benchmarks

lab: $(STAMP)
	$(BIN)/jupyter lab $(if $(filter 0,$(shell id -u)),--allow-root) notebooks

lint: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/python .ci/check_text.py

# One environment for everything, from the pinned constraints.
$(STAMP): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[notebook,test]'
	touch $(STAMP)

clean:
	rm -rf $(VENV) demo_run
