# Two commands do all the set-up: `make rehearse` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PEERS := rigctld=libhamlib-utils mosquitto=mosquitto mosquitto_pub=mosquitto-clients chromium=chromium
# Only where nobody lives: chrony takes the place of another time daemon, and gpsd opens serial adapters.
PEERS += $(if $(CI),chronyd=chrony gpsd=gpsd)

.PHONY: rehearse test check unit benchmarks soak clean

# The phone page needs the broker; without it the rehearsal runs all the same.
rehearse: $(VENV)/.run
	-.ci/system-packages mosquitto=mosquitto
	$(BIN)/moontrim rehearse

test: $(VENV)/.test
	.ci/system-packages $(PEERS)
	$(MAKE) --no-print-directory check unit

# Style, types and the arrows between modules.
check: $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

unit: $(VENV)/.test
	$(BIN)/python -m pytest -n 3 -m "not alone" --durations=20
	$(BIN)/python -m pytest -m alone --durations=10

# Printed ratios, for a person to read; never part of the tests, since machines are shared and noisy.
benchmarks: $(VENV)/.test
	for script in tests/benchmarks/bench_*.py; do echo "== $$script"; $(BIN)/python $$script || exit 1; done

# The whole daemon through HOURS simulated hours of misfortunes; a failure prints how to play it again.
soak: $(VENV)/.test
	$(BIN)/python tests/soak/run.py --hours $(or $(HOURS),1000) --processes 2

$(VENV)/.run: pyproject.toml
	.ci/make-venv $(PYTHON) $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check --editable .
	touch $@

$(VENV)/.test: pyproject.toml $(VENV)/.run
	$(BIN)/pip install --quiet --disable-pip-version-check --editable '.[test]'
	touch $@

clean:
	rm -rf $(VENV) out build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
