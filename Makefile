# Two commands need no other set-up: make demo, make test.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
KERNELS := $(VENV)/.kernels

# Tests by files, on as many cores as there are; each takes about 1 GB.
PYTEST := $(BIN)/python -m pytest -n auto --maxprocesses=4 --dist loadfile

.PHONY: demo test test-slow bench lab lint clean

demo: $(STAMP) $(KERNELS)
	$(BIN)/beamreduce demo -o demo_run

test: $(STAMP) $(KERNELS)
	$(PYTEST)

test-slow: $(STAMP) $(KERNELS)
	$(PYTEST) --whole-grid

bench: $(STAMP) $(KERNELS)
	$(BIN)/python -m tests.benchmarks

lab: $(STAMP) $(KERNELS)
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

# A compiled kernel is kept until its own file changes, though it may hold code of others.
$(KERNELS): $(STAMP) $(shell find beamreduce -name '*.py')
	find beamreduce \( -name '*.nbi' -o -name '*.nbc' \) -delete
	touch $@

clean:
	rm -rf $(VENV) demo_run
	find beamreduce \( -name '*.nbi' -o -name '*.nbc' \) -delete
