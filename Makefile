# Every task of the project; CI calls the same targets.  `make help` lists them.
PYTHON ?= python3
VENV   ?= .venv
BIN     = $(VENV)/bin
DATA   ?= data/real
OUT    ?= out
GROOVE ?=
SONGS  ?=
STEMS  ?=
ANNOTATED ?=
INPUTS ?= 20000
KILLS  ?= 1000
# A file to a process (tests/conftest.py: the longest first), a processor to a process; what one has compiled serves all.
IN_PARALLEL = PYTHONDONTWRITEBYTECODE= OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 \
	$(BIN)/python -m pytest -n auto --dist loadfile --no-loadscope-reorder

.DEFAULT_GOAL := help
.PHONY: help demo quick test soak browser-test lab wheel-test evaluate bench fuzz lint types pictures lock clean system

help: ## list the targets
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 16

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Python 3.11 or newer is needed; $(PYTHON) is older. Try: make PYTHON=python3.11 …"; exit 1; }
	@$(PYTHON) -m venv $(VENV) || \
	  { echo "Could not make an environment; on Debian or Ubuntu install python3-venv first."; exit 1; }

$(VENV)/.product: pyproject.toml constraints.txt | $(BIN)/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e .
	@touch $@

$(VENV)/.dev: pyproject.toml constraints.txt | $(BIN)/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[dev]'
	@touch $@ $(VENV)/.product

demo: $(VENV)/.product ## draft, score and read the demo song into out/demo
	$(BIN)/workbench demo --out $(OUT)/demo

quick: $(VENV)/.dev lint types ## what to run at each change: lint, types and the quick tests
	$(IN_PARALLEL) -q -m "not slow and not soak" --ignore tests/browser --hypothesis-profile quick

test: $(VENV)/.dev system lint types ## everything that must hold: lint, types, unit, reference, notebook and browser tests
	$(IN_PARALLEL)

soak: $(VENV)/.dev system ## minutes of more of the same: every byte, every key, thousands of races and damaged files
	$(IN_PARALLEL) -m soak

browser-test: $(VENV)/.dev system ## only the tests in a real JupyterLab in a real browser
	$(BIN)/python -m pytest -m "browser and not soak" tests/browser

system: ## check (and, as root on Debian, install) the programs that tests use
	@sh .ci/system-packages

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check --quiet .

types: $(VENV)/.dev
	$(BIN)/mypy

lab: $(VENV)/.product ## open the notebooks in out/lab, on the demo song
	@mkdir -p $(OUT)/lab
	cd $(OUT)/lab && $(abspath $(BIN))/workbench lab

wheel-test: $(VENV)/.dev system ## build the wheel, install it outside the checkout, run demo and notebooks there
	$(BIN)/python -m pytest tests/wheel/check_wheel.py

evaluate: $(VENV)/.product ## accuracy on a data set: make evaluate DATA=folder
	$(BIN)/workbench evaluate $(DATA)

bench: $(VENV)/.dev system ## speed and memory as ratios to named baselines, in one table (GROOVE, SONGS, STEMS, ANNOTATED=folder: more)
	$(BIN)/python -m tests.benchmarks --groove "$(GROOVE)" --songs "$(SONGS)" --stems "$(STEMS)" --annotated "$(ANNOTATED)"

fuzz: $(VENV)/.dev system ## damaged files, kills and full disks (20,000 and 1,000; INPUTS=n KILLS=n)
	$(BIN)/python -m tests.fuzz --inputs $(INPUTS) --kills $(KILLS) --out $(OUT)/fuzz

pictures: $(VENV)/.dev system ## take README's pictures anew
	$(BIN)/workbench demo --out $(OUT)/demo
	$(BIN)/workbench score $(OUT)/demo/copper-weather.chart.json --to png --out $(OUT)/pictures
	cp $(OUT)/pictures/copper-weather.png data/demo/pictures/score.png
	$(BIN)/python -m tests.browser.pictures

lock: ## renew constraints.txt from a fresh environment
	rm -rf build/lock-venv && $(PYTHON) -m venv build/lock-venv
	build/lock-venv/bin/python -m pip install --quiet -e '.[dev]'
	{ echo "# Exact versions that 'make demo' and 'make test' install; renew with 'make lock'."; \
	  build/lock-venv/bin/python -m pip freeze --exclude-editable; } > constraints.txt
	@# Newer ones need Python 3.11.5; Debian 12 has 3.11.2.
	sed -i 's/^soupsieve==.*/& ; python_full_version >= "3.11.5"\nsoupsieve==2.8.4 ; python_full_version < "3.11.5"/' constraints.txt

clean: ## remove what the targets made (not your charts elsewhere)
	rm -rf $(VENV) out build .pytest_cache .ruff_cache .mypy_cache *.egg-info
