# make demo: set up, then the whole way on sample_captures/.  make test: set up, then every check.  make bench: figures.

PYTHON ?= python3
BIN := .venv/bin
SESSION ?= sample_captures/tern-point-2031-05
CORES ?= all
# of the review page, which is built when the package is installed
PAGE := $(shell find lightdome/publish/page -name node_modules -prune -o -type f -print)

.PHONY: demo test bench libraries clean

demo: .venv/demo
	$(BIN)/snakemake --cores $(CORES)
	@echo
	@echo "Done. The review page: .venv/bin/lightdome review results/tern-point-2031-05"
	@echo "The summary of the night: results/tern-point-2031-05/index.html"

test: .venv/test
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/snakemake --lint
	$(BIN)/pytest

bench: .venv/test
	$(BIN)/python benchmarks/normals.py $(SESSION)
	$(BIN)/snakemake --cores $(CORES)
	$(BIN)/python benchmarks/marks.py sample_captures/tern-point-2031-05 results/tern-point-2031-05
	$(BIN)/python benchmarks/relief.py
	$(BIN)/python benchmarks/memory.py
	$(BIN)/python benchmarks/review.py

.venv/demo: requirements.txt pyproject.toml hatch_build.py $(PAGE) | .venv/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.txt
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

.venv/test: requirements-test.txt .venv/demo
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-test.txt
	@touch $@

.venv/python: | libraries
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "lightdome needs Python 3.11 or later; name one with: make PYTHON=python3.12 ..." >&2; exit 2; }
	$(PYTHON) -m venv .venv
	@touch $@

# What open3d (and mitsuba, libatomic1) load from the system: as root, install what is missing; otherwise name it.
# Systems without ldconfig are left to their owner. Tests of the review page want a browser and letters for it; nothing else does.
libraries:
	@export PATH="$$PATH:/sbin:/usr/sbin"; missing=""; \
	for pair in libusb-1.0.so:libusb-1.0-0 libGL.so:libgl1 libEGL.so:libegl1 libX11.so:libx11-6 libatomic.so:libatomic1; do \
	  ! command -v ldconfig >/dev/null || ldconfig -p | grep -q "$${pair%%:*}" || missing="$$missing $${pair##*:}"; \
	done; \
	$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || missing="$$missing python3-venv"; \
	case " $(MAKECMDGOALS) " in *" test "*) \
	  command -v chromium >/dev/null || command -v chromium-browser >/dev/null || command -v google-chrome >/dev/null || if [ "$$(id -u)" = 0 ]; then missing="$$missing chromium fonts-dejavu-core"; \
	  else echo "No chromium: the tests of the review page are left out. Ask for: apt-get install chromium" >&2; fi;; \
	esac; \
	if [ -n "$$missing" ] && [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	  apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends $$missing; \
	elif [ -n "$$missing" ]; then \
	  echo "Missing on this system:$$missing. Ask for: apt-get install$$missing" >&2; exit 2; \
	fi

# What people found cannot be computed again, so it stays.
clean:
	[ ! -d results ] || find results ! -type d ! -name 'findings.sqlite*' -delete
	[ ! -d results ] || find results -type d -empty -delete
	rm -rf .snakemake
