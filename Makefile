# The two commands of the README, and what contributors run. PYTHON names the interpreter that makes the environments.
PYTHON ?= python3
VENV := .venv
DEMO_VENV := .venv-demo
BIN := $(VENV)/bin

.PHONY: demo test bench check format reference screenshots clean

# Install the buyer's part and screen the adverts that come along.
demo: $(DEMO_VENV)/made
	$(DEMO_VENV)/bin/python -m pip install --quiet .
	$(DEMO_VENV)/bin/maskline demo --out out/demo

# Install everything and run all tests, the fast ones first.
test: $(VENV)/installed
	$(BIN)/python -m pytest

# What takes how long, how large a report is, what sharing misses, whether the loader keeps up.
# Others are tests/*/bench_*.py, most of them long.
bench: $(VENV)/installed
	$(BIN)/python -m tests.pipeline.bench_judging
	$(BIN)/python -m tests.pipeline.bench_report
	$(BIN)/python -m tests.pipeline.bench_sharing
	$(BIN)/python -m tests.models.bench_training --steps 10

# Style and types.
check: $(VENV)/installed
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy

# Mend what can be mended by itself.
format: $(VENV)/installed
	$(BIN)/ruff check --fix
	$(BIN)/ruff format

# Write the reference of commands anew.
reference: $(VENV)/installed
	{ $(BIN)/typer pipeline.cli utils docs --name maskline; \
	  $(BIN)/typer models.cli utils docs --name "maskline model"; \
	  $(BIN)/typer pipeline.data_group utils docs --name "maskline data"; } > pipeline/COMMANDS.md

# Pictures of the demo's report, for looking at it.
screenshots: demo $(VENV)/installed
	$(BIN)/python -m tests.pipeline.screenshots out/demo out/screenshots

# Remove the environments and what tools leave behind.
clean:
	rm -rf $(VENV) $(DEMO_VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis build dist

# torch and torchvision must fit each other: pip sees to that only where both are asked for at once, as the extra does.
$(VENV)/installed: pyproject.toml
	$(call make_venv,$(VENV))
	$(BIN)/python -m pip install --quiet --editable '.[train,share,dev]'
	touch $@

$(DEMO_VENV)/made:
	$(call make_venv,$(DEMO_VENV))
	touch $@

define make_venv
@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	|| { echo "$(PYTHON) is missing or older than Python 3.11; name another one: make PYTHON=python3.12"; exit 2; }
$(PYTHON) -m venv $(1)
$(1)/bin/python -m pip install --quiet --upgrade pip
endef
