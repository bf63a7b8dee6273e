# Needs Python 3.11 or newer, make and a way to the package index; no compiler.
#   make test PYTHON=python3.12            another Python
#   make test ARGS='-k interlock'          more words for pytest
#   make demo DEMO=scenarios/gallery/NAME.toml OUT=runs/NAME

PYTHON ?= python3
ARGS   ?=
DEMO   ?= scenarios/gallery/key-pinch-ladder.toml
OUT    ?= runs/demo

RUN  := .venv
LINT := .venv-lint
LOCK := .venv-lock
MUTE := .venv-mutation
DOCS := .venv-docs

# Twice quiet: errors only. Wheels only: nothing may ask for a compiler. No isolation: the builder is pinned too.
PIP  := -m pip --disable-pip-version-check -qq install --only-binary :all: --no-build-isolation

.PHONY: demo test proof campaign mutation pictures sources docs bench lint style types contracts installed lock clean

demo: $(RUN)/made
	$(RUN)/bin/thenar run $(DEMO) --out $(OUT)

# Two processes, each file's tests in one of them, since they share what is costly to make; ARGS='-n 0' for a debugger.
test: $(RUN)/made
	$(RUN)/bin/python -m tests.outside.recorded_trapezoid
	$(RUN)/bin/python -m tests.compiled_first
	$(RUN)/bin/python -m pytest -n 2 --dist loadfile $(ARGS)

# What a solver proves about the interlock for all integers, and the planted bugs that it must find.
proof: $(RUN)/made
	NUMBA_DISABLE_JIT=1 $(RUN)/bin/python -m tests.proof --json runs/proofs.json

# The pictures of the README, each by the command it shows; ARGS='sweep plan' for two of them. Needs Chromium.
pictures: $(RUN)/made
	$(RUN)/bin/python docs/make_pictures.py $(ARGS)

# The page docs/sources.md from shared/sources.toml.
sources: $(RUN)/made
	$(RUN)/bin/python docs/make_sources.py

# The pages of docs/ as HTML in runs/docs; a warning is an error. Nothing is fetched while building or reading them.
docs: $(DOCS)/made
	$(DOCS)/bin/sphinx-build --fail-on-warning --keep-going --quiet --fresh-env -d runs/docs-cache docs runs/docs
	@echo 'pages: runs/docs/index.html'

# The long campaigns that `make test` leaves out: 20 seeds of the trade checks and where they fail.
campaign: $(RUN)/made
	$(RUN)/bin/python -m tests.outside.recorded_trapezoid
	$(RUN)/bin/python -m pytest -m campaign $(ARGS)

# Do the tests notice when the interlock is changed? All mutants of its deciding files, in a copy; ARGS='--sample 150' is
# the quick form, ARGS='--files gate budget' two files. The totals go to runs/mutation.json.
mutation: $(MUTE)/made
	$(MUTE)/bin/python -m tests.mutation.gate --json runs/mutation.json $(ARGS)

bench: $(RUN)/made
	$(RUN)/bin/python -m benchmarks.run

# Three looks at the source; `make --keep-going lint` takes all three even when the first one fails.
lint: style types contracts

style: $(LINT)/made
	$(LINT)/bin/ruff check --output-format concise .
	$(LINT)/bin/ruff format --check .

# The type checker and the import contracts can't follow the editable install's folder mapping. So the project is
# installed as users get it, and both run in a folder where the name `thenar` can't mean the source folder.
types: installed
	cd $(LINT) && bin/mypy --config-file ../pyproject.toml -p thenar

contracts: installed
	cd $(LINT) && bin/lint-imports --no-logo ../pyproject.toml

installed: $(LINT)/made
	rm -rf build
	$(LINT)/bin/python $(PIP) --no-deps --force-reinstall .
	rm -rf build

# Renews constraints.txt with the newest versions that pyproject.toml allows. Use the oldest Python that we support,
# since a package may drop it before we do. Then run lint and test, and commit the file.
lock:
	$(call environment,$(LOCK))
	$(LOCK)/bin/python $(PIP) '.[dev]'
	echo '# The versions that lint and test ran with. Made by: make lock' > constraints.new
	$(LOCK)/bin/python -m pip freeze --all --exclude pip --exclude thenar >> constraints.new
	mv constraints.new constraints.txt
	rm -rf $(LOCK) build

clean:
	rm -rf $(RUN) $(LINT) $(LOCK) $(MUTE) $(DOCS) build dist thenar.egg-info runs .cache .coverage .hypothesis
	rm -rf .pytest_cache .mypy_cache .ruff_cache .import_linter_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

# Environments are built anew when the pinned versions or the project's own list change.
$(RUN)/made: constraints.txt pyproject.toml
	$(call environment,$(RUN),-c constraints.txt)
	$(RUN)/bin/python $(PIP) -c constraints.txt -e '.[test]'
	touch $@

$(LINT)/made: constraints.txt pyproject.toml
	$(call environment,$(LINT),-c constraints.txt)
	$(LINT)/bin/python $(PIP) -c constraints.txt '.[lint]'
	touch $@

$(MUTE)/made: constraints.txt pyproject.toml
	$(call environment,$(MUTE),-c constraints.txt)
	$(MUTE)/bin/python $(PIP) -c constraints.txt -e '.[test,mutation]'
	touch $@

$(DOCS)/made: constraints.txt pyproject.toml
	$(call environment,$(DOCS),-c constraints.txt)
	$(DOCS)/bin/python $(PIP) -c constraints.txt -e '.[docs]'
	touch $@

# An empty environment $(1) that can build the project; $(2): constraints.
define environment
@$(PYTHON) -c 'import sys; sys.version_info >= (3, 11) or sys.exit("thenar needs Python 3.11 or newer, this is " + sys.version)'
rm -rf $(1)
$(PYTHON) -m venv $(1)
$(1)/bin/python $(PIP) $(2) 'setuptools>=80'
endef
