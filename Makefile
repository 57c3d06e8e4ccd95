# Everything a person or a CI machine does with thermlab. The environment in .venv is made once, by the first target
# that needs it, and again when the lock file changes.
#
#   make demo     simulate the demo's logs and write its report
#   make test     run every test            (ARGS="-k words" to choose)
#   make lab      open JupyterLab on the start page of notebooks/
#   make lint     style and spelling        make types   static types
#   make bench    measure speed beside what it is measured against, into docs/speed.md
#   make docs     make the pictures and generated pages of docs/ again
#   make study    run the longer simulations behind the numbers in docs/
#   make faults   two hundred faults in each kind of work   make fuzz     a minute of fuzzing for each reader
#   make wheel-test   the wheel in a clean environment      make oldest   quick tests with the oldest versions allowed
#   make clean    remove what make made, .venv included
#   make lock     renew requirements.lock from pyproject.toml (needs uv)
#
# PYTHON=/path/to/python3.12 chooses the interpreter for .venv.

PYTHON ?=
VENV ?= .venv
ARGS ?=
BIN := $(VENV)/bin
STAMP := $(VENV)/.made-from-lock

.PHONY: demo test lab lint types bench docs study faults fuzz wheel-test oldest clean lock

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

faults: $(STAMP)
	$(BIN)/python study/fault_injection.py $(ARGS)

# The fuzzer is an extra outside the lock. What it finds is kept in fuzz/found.
fuzz: $(STAMP)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-build-isolation -e ".[fuzz]"
	@for target in log sheet yaml; do \
	  $(BIN)/python fuzz/run.py $$target -max_total_time=60 -timeout=20 -rss_limit_mb=2000 -max_len=4096 $(ARGS) || exit 1; done

wheel-test: $(STAMP)
	THERMLAB_WHEEL_TEST=1 $(BIN)/python -m pytest -q tests/project/test_wheel.py

# The lowest version of each direct dependency that pyproject.toml allows. Their own deprecation warnings are no errors.
oldest: $(STAMP)
	@rm -rf $(VENV)-oldest && $(BIN)/python -m venv $(VENV)-oldest
	@$(BIN)/python tests/oldest_versions.py > $(VENV)-oldest/oldest.txt
	@uv=$$(command -v uv || echo $(BIN)/uv); if [ -x "$$uv" ]; then \
	  "$$uv" pip install --quiet --compile-bytecode --python $(VENV)-oldest/bin/python -r $(VENV)-oldest/oldest.txt; \
	else $(VENV)-oldest/bin/python -m pip install --quiet --disable-pip-version-check -r $(VENV)-oldest/oldest.txt; fi
	@echo "$(CURDIR)" > "$$($(VENV)-oldest/bin/python -c 'import sysconfig; print(sysconfig.get_path("purelib"))')/thermlab.pth"
	$(VENV)-oldest/bin/python -m pytest -n auto --dist loadfile -m "not slow" -W default $(ARGS)

clean:
	rm -rf $(VENV) $(VENV)-oldest fuzz/found demo/*/logs demo/*/report demo/*/.failed .pytest_cache .mypy_cache .ruff_cache .hypothesis
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
