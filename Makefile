# The two commands of a fresh machine: `make demo` and `make test`.
# Each makes its own virtual environment in .venv and says what it is doing.

PYTHON_IN := .venv/bin/python
PIP := $(PYTHON_IN) -m pip install -q --disable-pip-version-check
SAY := @printf '==> %s\n'

.PHONY: help demo test lint bench faults schema clean
.DEFAULT_GOAL := help

help:
	@echo "make demo    make a virtual environment, install, and run the demonstration"
	@echo "make test    the same, then run all tests (installs a broker, CAN tools and the like if missing)"
	@echo "make lint    style, types and the order of layers"
	@echo "make bench   measure, print a table and write build/bench.json"
	@echo "make faults  try faults on simulated hardware and write build/faults.json; N=100000 SEED=7"
	@echo "make schema  write what is made from the classes and the DBC again: schemas, tables, C"
	@echo "make clean   remove what the above made"

.venv/installed: pyproject.toml .ci/prepare
	@.ci/prepare venv
	$(SAY) "Installing layout-signalling and what it needs into .venv"
	@$(PIP) -e '.[mqtt,can,pdf]'
	@touch $@

.venv/installed-dev: .venv/installed
	$(SAY) "Installing the tools of tests and checks into .venv"
	@$(PIP) --group dev
	@touch $@

demo: .venv/installed
	$(SAY) "Running the demonstration: .venv/bin/signalling demo $(DEMO)"
	@.venv/bin/signalling demo $(DEMO)

test: .venv/installed-dev
	@.ci/prepare mosquitto
	@.ci/prepare asyncapi
	@.ci/prepare socketcan
	@.ci/prepare compiler
	$(SAY) "Running the tests"
	@$(PYTHON_IN) -m pytest -n auto $(TESTS)

lint: .venv/installed-dev
	$(SAY) "Style"
	@.venv/bin/ruff check .
	@.venv/bin/ruff format --check .
	$(SAY) "Types"
	@.venv/bin/mypy
	$(SAY) "Layers"
	@.venv/bin/lint-imports

bench: .venv/installed-dev
	@.ci/prepare mosquitto
	$(SAY) "Measuring; this takes about a minute"
	@$(PYTHON_IN) -m tests.bench

faults: .venv/installed-dev
	$(SAY) "Trying faults; 2000 take about a minute"
	@$(PYTHON_IN) -m tests.faults $(or $(N),2000) $(or $(SEED),1)

schema: .venv/installed-dev
	$(SAY) "Writing the schemas and the C in shared/, and the tables of docs/layout-file.md and docs/node.md"
	@$(PYTHON_IN) -m signalling schema layout > shared/layout.schema.json
	@$(PYTHON_IN) -m signalling schema practice > shared/practice.schema.json
	@$(PYTHON_IN) -m signalling schema node > shared/node.schema.json
	@$(PYTHON_IN) -m signalling.layout.reference docs/layout-file.md
	@$(PYTHON_IN) -m transports.mqtt.own.document shared
	@$(PYTHON_IN) -m transports.can.node_c shared/node-c
	@$(PYTHON_IN) -m transports.can.node_page docs/node.md

clean:
	rm -rf .venv build dist
