# Every target works on a fresh machine with Python 3.11 or newer and make; what a target needs goes into .venv.
PYTHON ?= python3
PY := .venv/bin/python
PORT ?= 8000
ROUNDS ?= 200
SEED ?= 1
DEMO := env COMPANY_NAME="Marrow Bay Porch Windows" SITE_URL=http://127.0.0.1:$(PORT) \
	COMPANY_PHONE="555 0100" LOG_LEVEL=WARNING EMAIL_URL=filemail://$(CURDIR)/var/letters \
	MAIL_FROM_ADDRESS=desk@marrowbay.example
# Tests start our programs by the hundred, and pytest rewrites each test file: both keep what Python compiled.
TESTS := env -u PYTHONDONTWRITEBYTECODE SECRET_KEY=tests-only DATA_DIR=var/tests
# As many processes as cores, each with databases of its own; a file's tests stay together, as its fixtures do.
AT_ONCE := -n auto --dist loadfile --no-loadscope-reorder
LONG := long or browser or broker
MEASURE ?=
PROD := env SECRET_KEY=$$($(PY) -c "import secrets; print(secrets.token_urlsafe(60))") HTTPS=on

.DEFAULT_GOAL := help
.PHONY: help demo demo-fresh test test-quick test-long test-all check audit format bench faults load shots clean

help: ## List the targets
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 14

demo: .venv/run.stamp ## Set up and serve the demo company on http://127.0.0.1:8000 (PORT=... for another)
	@$(DEMO) $(PY) manage.py migrate -v 0
	@$(DEMO) $(PY) manage.py collectstatic --noinput -v 0
	@$(DEMO) $(PY) manage.py load_reference
	@$(DEMO) $(PY) manage.py load_demo
	@touch var/demo.stamp
	@echo "Open http://127.0.0.1:$(PORT) and sign in with one of these. Stop with Ctrl-C."
	@$(DEMO) sh -c '$(PY) manage.py clock & clock=$$!; \
		trap "kill $$clock 2>/dev/null" EXIT; trap "exit 0" INT TERM; \
		.venv/bin/gunicorn servicedesk.wsgi --bind 127.0.0.1:$(PORT) --workers 2 --threads 4 --log-level warning'

demo-fresh: ## Throw the demo company away and set it up anew
	@test ! -e var/sashkeep.sqlite3 || test -e var/demo.stamp || \
		{ echo "var/ holds a register that is not the demo company: move it away first."; exit 1; }
	rm -rf var
	@$(MAKE) --no-print-directory demo

test: .venv/test.stamp ## Run the tests of every day (DATABASE_URL chooses the database), or a part of them with ARGS=...
	$(TESTS) .venv/bin/pytest $(if $(ARGS),$(ARGS),$(AT_ONCE) -m "not ($(LONG))" $(if $(MEASURE),--cov --cov-report=))
	$(if $(MEASURE),$(TESTS) .venv/bin/coverage report --fail-under=95)

test-quick: .venv/test.stamp ## Run what needs no database: numbers, drawings, words, calendars (a minute)
	$(TESTS) .venv/bin/pytest $(AT_ONCE) -m "not ($(LONG))" --quick

test-long: .venv/test.stamp ## Run what takes long: browsers, brokers, deployment, simulations, backups, moves, faults in short
	$(TESTS) .venv/bin/pytest $(AT_ONCE) -m "$(LONG)"

test-all: test test-long ## Run the whole suite

check: .venv/test.stamp ## Run the checks of style, layers, types and deployment
	.venv/bin/ruff format --check .
	.venv/bin/ruff check .
	find templates -name '*.html' | xargs .venv/bin/djade --check
	.venv/bin/lint-imports
	$(PY) tests/check_names.py
	$(TESTS) .venv/bin/mypy
	.venv/bin/bandit -q -c pyproject.toml -r servicedesk units schedules
	$(PROD) $(PY) manage.py check --deploy --fail-level WARNING
	$(TESTS) $(PY) manage.py makemigrations --check
	rm -rf var/check && mkdir -p var/check
	$(TESTS) DATA_DIR=var/check $(PY) manage.py migrate -v 0
	$(TESTS) DATA_DIR=var/check $(PY) manage.py load_reference
	rm -rf var/check

audit: .venv/test.stamp ## Ask whether a pinned library has a known weakness, or was withdrawn (needs the network)
	@$(PY) tests/audit_pins.py

format: .venv/test.stamp ## Bring code and templates into the house format
	.venv/bin/ruff format .
	.venv/bin/ruff check --fix .
	find templates -name '*.html' | xargs .venv/bin/djade

bench: .venv/test.stamp ## Measure: import, rates page, care, numerics (minutes; ratios to peers in the same run)
	@for bench in tests/bench/bench_*.py; do echo; echo "== $$bench"; $(TESTS) PYTHONPATH=. $(PY) $$bench || exit 1; done

faults: .venv/test.stamp ## Fail processes, databases and disk under real work, on SQLite and PostgreSQL (ROUNDS=200, SEED=1)
	@for database in sqlite postgres; do echo; $(TESTS) PYTHONPATH=. $(PY) tests/faults/run.py \
		--database $$database --rounds $(ROUNDS) --seed $(SEED) || exit 1; done

load: .venv/load.stamp ## Let a scripted day of 57 people run on PostgreSQL and SQLite (an hour; ARGS="--only sqlite")
	$(TESTS) PYTHONPATH=. $(PY) tests/load/run.py $(ARGS)

shots: .venv/test.stamp ## Take the pictures of README from the running demo (make demo first)
	$(TESTS) PYTHONPATH=. $(PY) tests/browser/take_pictures.py http://127.0.0.1:$(PORT)

clean: ## Remove what tests and the demo left
	rm -rf var .pytest_cache .mypy_cache .ruff_cache .hypothesis .coverage*

.venv/run.stamp: requirements.txt
	test -d .venv || $(PYTHON) -m venv .venv
	.venv/bin/pip install -q --disable-pip-version-check -r requirements.txt
	@touch $@

.venv/test.stamp: .venv/run.stamp tests/requirements.txt
	.venv/bin/pip install -q --disable-pip-version-check -r tests/requirements.txt
	@touch $@

.venv/load.stamp: .venv/run.stamp tests/load/requirements.txt
	test -d .venv/load || $(PYTHON) -m venv .venv/load
	.venv/load/bin/pip install -q --disable-pip-version-check -r tests/load/requirements.txt
	@touch $@
