# Short names for what people do here; the work is CMake's (CMakePresets.json) and tools/.

PREFIX ?= /usr/local
JOBS ?= $(shell nproc 2>/dev/null || echo 2)
ONLY ?=
FUZZ_SECONDS ?= 600
EXAMPLE := examples/wax-melter
PROGRAM := build/release/src/app/tankwright

.DEFAULT_GOAL := help
.PHONY: help demo build check bench fuzz install uninstall coverage format clean

help: ## this list
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "  make %-10s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

demo: build ## install what is missing, build, read the example capture
	@echo "\$$ tankwright analyse $(EXAMPLE)/soft.csv --rig $(EXAMPLE)/rig.yaml --report report.html --plot waveforms.svg"
	@$(PROGRAM) analyse $(EXAMPLE)/soft.csv --rig $(EXAMPLE)/rig.yaml --report report.html --plot waveforms.svg
	@echo
	@echo "Open with a browser: $(CURDIR)/report.html"
	@echo "or the drawing alone: $(CURDIR)/waveforms.svg"
	@echo "What it all means, step by step: docs/tutorial.md"

build:
	@tools/bootstrap demo
	@cmake --preset release >/dev/null
	@cmake --build build/release -j $(JOBS)

check: ## install what is missing, build three ways, run every test
	@tools/bootstrap check
	@tools/check-all

bench: ## measure speed and accuracy beside references (ONLY=name for one)
	@tools/bootstrap check
	@cmake --preset bench >/dev/null
	@cmake --build build/bench -j $(JOBS)
	@build/bench/bench/tankwright-bench --output build/bench.json $(ONLY)

fuzz: ## feed the parsers random input, FUZZ_SECONDS=600 for each
	@tools/bootstrap check
	@cmake --preset fuzz >/dev/null
	@cmake --build build/fuzz -j $(JOBS) --target fuzzers
	@TW_FUZZ_SECONDS=$(FUZZ_SECONDS) ctest --test-dir build/fuzz -L fuzz -j $(JOBS) --output-on-failure

install: build ## put program, library and manual below PREFIX=/usr/local (DESTDIR is respected)
	@cmake --install build/release --prefix $(PREFIX)

uninstall: ## take away what the last install put there
	@test -f build/release/install_manifest.txt || { echo "nothing was installed from here"; exit 1; }
	@sed 's,^,$(DESTDIR),' build/release/install_manifest.txt | tr '\n' '\0' | xargs -0 rm -f

coverage: ## which lines the tests reach: build/coverage/html
	@tools/bootstrap coverage
	@tools/coverage

format: ## lay out the C files as the house does
	@tools/check-format --fix

clean: ## remove everything that was built
	@rm -rf build report.html waveforms.svg
