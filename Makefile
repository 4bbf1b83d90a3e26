# The two commands of a newcomer are `make demo` and `make test`.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
# how many tests run side by side
WORKERS ?= 2
# random tests with the same examples each time, see tests/conftest.py
PYTEST := $(BIN)/python -m pytest --hypothesis-profile=same

# where Python keeps no compiled files, each of the many programs that the tests start is compiled anew
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test live beside recording clean

demo: $(VENV)/installed
	rm -rf demo-case
	$(BIN)/checkback replay demo/case.flac --case demo-case --start 2026-03-02T08:00:00+01:00 --plan demo/plan.toml
	$(BIN)/checkback report demo-case

test: $(VENV)/tested
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(PYTEST) -n $(WORKERS) --dist loadfile --no-loadscope-reorder --ignore=tests/unit -m "not sound and not display"
	$(MAKE) --no-print-directory --jobs=2 --output-sync=target live beside

# what has sound or a display lives in real time: it waits most of the time, and must not wait for others
live: $(VENV)/tested
	$(PYTEST) -m "sound or display" --ignore=tests/unit

# so beside it goes, at the lowest priority, what can wait
beside: $(VENV)/tested
	nice -n 19 $(BIN)/mypy
	nice -n 19 $(BIN)/lint-imports
	nice -n 19 $(PYTEST) -n $(WORKERS) --dist loadfile tests/unit

recording: $(VENV)/tested
	$(BIN)/python demo/make_recording.py

$(VENV)/installed: pyproject.toml
	sh tools/make_venv.sh "$(PYTHON)" $(VENV)
	@echo "Installing the package into $(VENV) ..."
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[report]'
	touch $@

$(VENV)/tested: $(VENV)/installed tools/install_test_packages.sh tools/fetch_axe.sh tools/fetch_test_whisper.py tools/whisper-base.txt
	sh tools/install_test_packages.sh
	sh tools/fetch_axe.sh
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[test,pedal,report,export,whisper,display]'
	$(BIN)/python tools/fetch_test_whisper.py
	touch $@

clean:
	rm -rf $(VENV) demo-case build dist
