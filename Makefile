# Two commands need no other set-up: make demo, make test.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: demo test test-slow bench lab lint clean

demo: $(STAMP)
	$(BIN)/beamreduce demo -o demo_run

test: $(STAMP)
	$(BIN)/python -m pytest

test-slow: $(STAMP)
	$(BIN)/python -m pytest --whole-grid

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
