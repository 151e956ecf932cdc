# Everything a fresh machine needs to run Fitwright: Python >= 3.11, make and git are taken as given.
PYTHON ?= python3
VENV   ?= .venv
SERVE  ?= 1
PORT   ?= 8765
STUDIO ?= demo-studio

ifeq ($(OS),Windows_NT)
BIN := $(VENV)/Scripts
else
BIN := $(VENV)/bin
endif
UV := $(BIN)/python -m uv
LOCK := --universal --python-version 3.11 --generate-hashes --no-emit-index-url --no-header --no-annotate

.PHONY: help demo test bench lint shots words lock clean

help:            ## this list
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*## /\t/'

$(BIN)/.uv: requirements-uv.txt
	@$(PYTHON) -c 'import sys; sys.exit("Fitwright needs Python 3.11 or newer; this one is " + sys.version.split()[0] + ". Name another: make PYTHON=python3.12") if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-uv.txt
	@touch $@

$(BIN)/.run: $(BIN)/.uv requirements.txt pyproject.toml
	$(UV) pip install --quiet --python $(BIN)/python --require-hashes -r requirements.txt
	$(UV) pip install --quiet --python $(BIN)/python --no-deps --no-build-isolation -e .
	@touch $@

$(BIN)/.test: $(BIN)/.run requirements-test.txt
	$(UV) pip install --quiet --python $(BIN)/python --require-hashes -r requirements-test.txt
	@touch $@

demo: $(BIN)/.run  ## run a whole invented visit and serve it (SERVE=0 stops after writing)
	$(BIN)/fitwright demo --studio $(STUDIO) --port $(PORT) $(if $(filter 0,$(SERVE)),--no-serve,)

test: $(BIN)/.test ## lint, type-check and run every test
	$(BIN)/python tests/browser.py
	$(BIN)/python tests/postgres.py
	$(MAKE) --no-print-directory lint
	$(BIN)/python -m pytest -n 2

lint: $(BIN)/.test ## ruff, import-linter, mypy
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/lint-imports
	$(BIN)/mypy

bench: $(BIN)/.test ## measure accuracy and speed, write docs/performance.md
	$(BIN)/python -m bench

shots: $(BIN)/.test ## take the README's picture and a contact sheet of every screen in every state
	$(BIN)/python -m bench.shots

words: $(BIN)/.test ## read every text that is shown, write the catalogues of the other languages
	$(BIN)/python -m tools.words

lock: $(BIN)/.uv   ## pin the requirements again, with hashes and without index addresses
	echo "uv>=0.5" | $(UV) pip compile - -q $(LOCK) -o requirements-uv.txt
	$(UV) pip compile pyproject.toml --group build -q $(LOCK) -o requirements.txt
	$(UV) pip compile pyproject.toml --group test -q $(LOCK) -c requirements.txt -o requirements-test.txt

clean:           ## remove the environment and the demo studio
	rm -rf $(VENV) $(STUDIO)
