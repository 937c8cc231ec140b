# Two commands do all the set-up: `make rehearse` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PEERS := rigctld=libhamlib-utils mosquitto=mosquitto mosquitto_pub=mosquitto-clients
PEERS += chromium=chromium,fonts-liberation pdftotext=poppler-utils udevadm=udev tsc=node-typescript
# Only where nobody lives: chrony takes the place of another time daemon, and gpsd opens serial adapters.
# And what boots the container of the long run.
PEERS += $(if $(CI),chronyd=chrony gpsd=gpsd systemd-nspawn=systemd-container ip=iproute2)

# Where it is set nothing that was compiled is kept, and every process that a test starts, and every
# worker of pytest, compiles all it imports anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: rehearse test peers check unit benchmarks soak clean

# The phone page needs the broker; without it the rehearsal runs all the same.
rehearse: $(VENV)/.run
	-.ci/system-packages mosquitto=mosquitto
	$(BIN)/moontrim rehearse

test:
	$(MAKE) --no-print-directory -j2 $(VENV)/.test peers
	$(MAKE) --no-print-directory check unit

# After the venv, for which a package may be missing as well: apt does not run twice at a time.
peers: $(VENV)/bin/pip
	.ci/system-packages $(PEERS)

# Style, types, of the page's modules too, and the arrows between modules.
check: $(VENV)/.test peers
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/python tests/support/messagetypes.py out/messages.d.ts
	tsc --project jsconfig.json

# Those that measure the machine's own time come after all others, one by one: two at a time, a latency
# was missed in one run of five. Only their files are read, since reading all takes as long as some of them.
ALONE = $(sort $(shell grep -rl --include='test_*.py' mark.alone tests))
# A person's run waits more than it works: for radios and brokers in real time.
unit: $(VENV)/.test
	$(BIN)/python -m pytest -n $(if $(CI),3,5) --dist worksteal -m "not alone" --durations=20
	$(BIN)/python -m pytest -m alone --durations=10 $(ALONE)

# Printed ratios, for a person to read; never part of the tests, since machines are shared and noisy.
benchmarks: $(VENV)/.test
	for script in tests/benchmarks/bench_*.py; do echo "== $$script"; $(BIN)/python $$script || exit 1; done

# The whole daemon through HOURS simulated hours of misfortunes; a failure prints how to play it again.
soak: $(VENV)/.test
	$(BIN)/python tests/soak/run.py --hours $(or $(HOURS),1000) --mix $(or $(MIX),quiet) --processes 2

$(VENV)/bin/pip:
	.ci/make-venv $(PYTHON) $(VENV)

$(VENV)/.run: pyproject.toml hatch_build.py | $(VENV)/bin/pip
	$(BIN)/pip install --quiet --disable-pip-version-check --editable .
	touch $@

# What the tests need includes what a run needs.
$(VENV)/.test: pyproject.toml hatch_build.py | $(VENV)/bin/pip
	$(BIN)/pip install --quiet --disable-pip-version-check --editable '.[test]'
	touch $(VENV)/.run $@

clean:
	rm -rf $(VENV) out build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
