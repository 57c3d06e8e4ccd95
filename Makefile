# Everything a person or a CI machine does with thermlab. The environment in .venv is made once, by the first target
# that needs it, and again when the lock file changes.
#
#   make demo     simulate the demo's logs and write its report
#   make test     run every test            (ARGS="-k words" to choose)
#   make lab      open JupyterLab on the start page of notebooks/
#   make lint     style and spelling        make types   static types
#   make bench    time a report against an empty notebook
#   make docs     make the pictures and generated pages of docs/ again
#   make study    run the longer simulations behind the numbers in docs/
#   make clean    remove what make made, .venv included
#   make lock     renew requirements.lock from pyproject.toml (needs uv)
#
# PYTHON=/path/to/python3.12 chooses the interpreter for .venv.

PYTHON ?=
VENV ?= .venv
ARGS ?=
BIN := $(VENV)/bin
STAMP := $(VENV)/.made-from-lock

.PHONY: demo test lab lint types bench docs study clean lock

demo: $(STAMP)
	@$(BIN)/python demo/make_logs.py
	@$(BIN)/thermlab report demo/chart-table
	@echo "The report is demo/chart-table/report/report.html: open it in a browser."

test: $(STAMP)
	$(BIN)/python -m pytest -n auto --dist loadfile $(ARGS)

lab: $(STAMP)
	@$(BIN)/python demo/make_logs.py
	$(BIN)/jupyter lab --LabApp.default_url=/lab/tree/notebooks/start.ipynb

lint: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/codespell

types: $(STAMP)
	$(BIN)/mypy

bench: $(STAMP)
	$(BIN)/python bench/run_bench.py $(ARGS)

docs: $(STAMP)
	$(BIN)/python docs/make_reference.py
	$(BIN)/python docs/make_pictures.py

study: $(STAMP)
	@for script in study/*_study.py; do echo "$$script"; $(BIN)/python "$$script" $(ARGS) || exit 1; done

clean:
	rm -rf $(VENV) demo/*/logs demo/*/report demo/*/.failed demo/*/.thermlab .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find . -name __pycache__ -type d -not -path './.git/*' -prune -exec rm -rf {} +

# A Python of the right age with venv, found by trying: a name on the PATH may be an empty shim.
define FIND_PYTHON
for candidate in $(if $(PYTHON),"$(PYTHON)",python3 python3.13 python3.12 python3.11); do \
  if "$$candidate" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' 2>/dev/null; then \
    found="$$candidate"; break; fi; done; \
if [ -z "$$found" ]; then \
  echo "thermlab needs Python 3.11, 3.12 or 3.13, and $(if $(PYTHON),$(PYTHON) is none of them,none was found); install one or name it: make demo PYTHON=/path/to/python3.12" >&2; exit 1; fi; \
if ! "$$found" -c 'import ensurepip, venv' 2>/dev/null; then \
  echo "thermlab needs Python's venv module, which $$found lacks; on Debian and Ubuntu: apt install python3-venv" >&2; exit 1; fi
endef

# Byte code is compiled here in any case: without it each report would start three to five seconds later where
# PYTHONDONTWRITEBYTECODE is set. The last install is offline: hatchling, which it needs, is in the lock.
$(STAMP): requirements.lock pyproject.toml
	@$(FIND_PYTHON); \
	echo "Making $(VENV) with $$found: this takes a minute, once."; \
	"$$found" -m venv $(VENV)
	@if command -v uv >/dev/null 2>&1; then \
	  uv pip install --quiet --python $(BIN)/python --require-hashes --compile-bytecode -r requirements.lock; \
	else \
	  $(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock; \
	fi
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-index --no-deps --no-build-isolation -e .
	@$(BIN)/python -m compileall -q thermlab
	@touch $@

lock:
	@command -v uv >/dev/null 2>&1 || { echo "make lock needs uv on the PATH" >&2; exit 1; }
	uv lock --quiet --upgrade
	uv export --quiet --no-emit-project --all-groups --no-header --no-annotate -o requirements.lock
	rm -f uv.lock
