# Two commands do everything on a fresh machine with Python 3.11+ and make: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check
# Debian packages the tests need: independent tools to plant faults with and to compare against
DEBIAN := ffmpeg sox libsox-fmt-all postgresql libportaudio2 jackd2 chromium nodejs
# what a test run leaves out; `make test-all` leaves out nothing
SELECT := -m "not slow"

# what Python makes of each file is kept: many tests start it anew
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test test-all fuzz lint bench docs site serve bundle lock clean

demo: $(VENV)/.run
	$(BIN)/deskhand demo

test: $(VENV)/.test
	@# in CI recordings that cannot be had are a failure, elsewhere their tests are skipped (tests/support/needs.py)
	@# one core fetches the recordings and compiles the measuring code and, the first time, the tests (what is wrong with those is said when they run)
	@# while the other reads the code, which goes on beside the tests; what it found is printed after them
	@read=$$(mktemp); { $(BIN)/ruff check . && $(BIN)/ruff format --check . && $(BIN)/mypy && \
	  $(BIN)/codespell deskhand tests docs README.md CHANGELOG.md; } >$$read 2>&1 & reading=$$!; \
	trap 'kill $$reading 2>/dev/null; rm -f $$read' EXIT; \
	{ $(BIN)/python -m tests.support.material || test -z "$(CI)"; } && $(BIN)/python -m tests.warm && \
	{ ls tests/__pycache__/test_cli*.pyc >/dev/null 2>&1 || $(BIN)/python -m pytest --collect-only -q >/dev/null || true; } && \
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m pytest -n 3 --dist loadfile --no-loadscope-reorder $(SELECT); tested=$$?; \
	wait $$reading; right=$$?; cat $$read; test $$tested = 0 && test $$right = 0

# slow tests too (tests/support/slow.py), then the long studies, which write their pages of docs/
test-all: SELECT := -m ""
test-all: test
	$(BIN)/python -m validations

# damaged input of every kind for so long (SECONDS_OF_FUZZ, SEED_OF_FUZZ); failures are files in fuzz-failures/
SECONDS_OF_FUZZ ?= 600
SEED_OF_FUZZ ?= 1
fuzz: $(VENV)/.test
	OPENBLAS_NUM_THREADS=1 $(BIN)/python -m tests.support.fuzz --seconds $(SECONDS_OF_FUZZ) --seed $(SEED_OF_FUZZ)

lint: $(VENV)/.test
	$(BIN)/pre-commit run --all-files

bench: $(VENV)/.test
	$(BIN)/python -m benchmarks.run
	$(BIN)/python -m benchmarks.stages

docs: $(VENV)/.run
	$(BIN)/python docs/make.py

# the docs as a site that needs no network, with a search: site/index.html
site: $(VENV)/.site
	$(BIN)/sphinx-build --quiet --fail-on-warning --keep-going -c docs . site
	@echo "site/index.html"

# the page on the demo's venue, which `make demo` makes
serve: $(VENV)/.run
	@test -d demo-season || $(MAKE) --no-print-directory demo
	$(BIN)/deskhand serve demo-season

# one folder with Python, the libraries and a launcher, for this system; tried with an empty home
bundle: $(VENV)/.run
	$(BIN)/python -m tools.bundle --try

lock:
	uv pip compile pyproject.toml build.in --universal --generate-hashes --no-emit-index-url --no-header --no-annotate -o requirements.txt
	uv pip compile pyproject.toml build.in --all-extras --group test -c requirements.txt --universal --generate-hashes --no-emit-index-url --no-header --no-annotate -o requirements-test.txt
	uv pip compile pyproject.toml build.in --group site -c requirements.txt --universal --generate-hashes --no-emit-index-url --no-header --no-annotate -o requirements-site.txt
	uv pip compile pyproject.toml build.in --group bundle -c requirements.txt --universal --generate-hashes --no-emit-index-url --no-header --no-annotate -o requirements-bundle.txt

$(VENV)/.run: requirements.txt pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(PIP) install --quiet --require-hashes -r requirements.txt
	$(PIP) install --quiet --no-deps --no-build-isolation -e .
	touch $@

$(VENV)/.test: $(VENV)/.run requirements-test.txt
	$(PIP) install --quiet --require-hashes -r requirements-test.txt
	@if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	  missing=$$(for one in $(DEBIAN); do dpkg -s $$one >/dev/null 2>&1 || echo $$one; done); \
	  if [ -n "$$missing" ]; then \
	    apt-get -o DPkg::Lock::Timeout=300 -qq update && \
	    DEBIAN_FRONTEND=noninteractive apt-get -o DPkg::Lock::Timeout=300 -qq install -y --no-install-recommends $$missing >/dev/null; \
	  fi; \
	else echo "Not root, or no apt-get: tests that need $(DEBIAN) are skipped where these are missing."; fi
	touch $@

$(VENV)/.site: $(VENV)/.run requirements-site.txt
	$(PIP) install --quiet --require-hashes -r requirements-site.txt
	touch $@

clean:
	rm -rf $(VENV) demo-season site
