# Every target is one line of what it does; `make demo` and `make test` are the two that matter.
PY := .venv/bin/python
export PYTHONDONTWRITEBYTECODE := 1

.PHONY: setup demo demo-fresh test check bench soak pictures figures

setup: .venv/made
.venv/made: requirements.txt requirements-dev.txt
	@command -v python3 >/dev/null || { echo "Install python3 (3.11 or newer) first."; exit 1; }
	@test -x $(PY) || python3 -m venv .venv
	$(PY) -m pip install --quiet --disable-pip-version-check -r requirements.txt
	@touch $@

.venv/made-dev: .venv/made requirements-dev.txt
	$(PY) -m pip install --quiet --disable-pip-version-check -r requirements-dev.txt
	@touch $@

demo: setup
	@sh tools/demo.sh

demo-fresh: setup
	@rm -rf var/demo && sh tools/demo.sh

check: .venv/made-dev
	@sh tools/check.sh

test: .venv/made-dev
	@sh tools/test.sh

bench: .venv/made-dev
	$(PY) tools/bench.py

soak: .venv/made-dev
	@sh tools/soak.sh

pictures: .venv/made-dev
	$(PY) tools/pictures.py
	DAY_PICTURES=1 DATABASE_URL=postgres://postgres@/holdfast $(PY) -m pytest -q tests/browser/test_day.py

figures: .venv/made-dev
	$(PY) -m tools.figures
