# Everything a person needs to try, test or change the project. "make" alone prints the list.

SHELL := /bin/bash
.DEFAULT_GOAL := help

VENV ?= .venv
EVENT ?= E01
RATE ?=
PYTEST_ARGUMENTS ?=
ROWS ?=
FUZZ_ARGUMENTS ?=
BENCH_ARGUMENTS ?=
FAULTS_ARGUMENTS ?=

# Debian puts the broker where a plain user's path does not lead.
export PATH := $(PATH):/usr/sbin

bin := $(VENV)/bin
locked := deploy/locked.txt
# What the environment was made from; a copy of it in the environment is the stamp.
ingredients := $(locked) pyproject.toml
test_parts := mosquitto mbpoll victoria-metrics

.PHONY: help demo test bench faults fuzz soak check generated environment-demo environment-dev test-parts

help:  ## this list
	@echo "make help                    this list"
	@echo "make demo                    the simulated plant, the gateway and a district office: event E01, told as it happens"
	@echo "make demo EVENT=E03          another event, E01 to E20: E03 analyzer freezes, E13 valve sticks, E17 lightning ..."
	@echo "make demo RATE=20            at 20 plant seconds a second (40 when nothing is said, up to 60; 20 and no more where devices fall silent)"
	@echo "make test                    all tests, with a real broker and an independent Modbus client:"
	@echo "                             three at a time, then those of the whole plant two at a time, then alone those that judge times"
	@echo "make test PYTEST_ARGUMENTS='tests/core -k alarm -x'"
	@echo "                             what pytest is told, in one process"
	@echo "make bench                   what the gateway costs beside the bare libraries, into tests/bench/results.json;"
	@echo "                             some minutes, and for figures that mean anything the machine does nothing else"
	@echo "make bench ROWS=a,c BENCH_ARGUMENTS='--rounds 9'"
	@echo "                             some rows; the others stay in the file as they are"
	@echo "make faults                  the fault campaign: kills, damaged files, lying devices, into tests/faults/results.json;"
	@echo "                             some 40 minutes; ROWS=killed-writer,hostile-devices for a part,"
	@echo "                             FAULTS_ARGUMENTS='--seed 7 --tries 50' for other chances"
	@echo "make fuzz                    whatever takes octets from others, ten minutes a target under a coverage-guided fuzzer"
	@echo "make fuzz FUZZ_ARGUMENTS='frames --seconds 60'"
	@echo "                             one target, shorter"
	@echo "make soak                    what only shows over hours: a day's data on the wire, E08 whole, a month in the"
	@echo "                             direct gear, three hours over sockets (HOURS=3), into tests/soak/results.json"
	@echo "make soak PARTS=sockets HOURS=0.04 SOAK_ARGUMENTS='--results somewhere.json'"
	@echo "                             some of data,backlog,direct,sockets; here two minutes over sockets"
	@echo "make check                   lint, format, types, import arrows, generated files, nothing of this machine in the tree"
	@echo "make generated               writes the files that are made from the code"
	@echo
	@echo "Each makes its Python environment in $(VENV) first, from $(locked), and again when that or pyproject.toml changes."

demo: environment-demo
	@$(bin)/python -m simulator.demo $(EVENT) $(if $(RATE),--rate $(RATE))

test: test-parts environment-dev
ifneq ($(strip $(PYTEST_ARGUMENTS)),)
	$(bin)/python -m pytest $(PYTEST_ARGUMENTS)
else  # every part is run; each fails the whole
	$(bin)/python -m pytest -m 'not acceptance and not alone' -n 3 --dist loadfile; first=$$?; \
	$(bin)/python -m pytest -m acceptance -n 2 --dist loadfile --no-loadscope-reorder; second=$$?; \
	$(bin)/python -m pytest -m alone && exit $$((first + second))
endif

bench: test-parts environment-dev
	@$(bin)/python -m tests.bench $(if $(ROWS),--rows $(ROWS)) $(BENCH_ARGUMENTS)

faults: test-parts environment-dev
	@$(bin)/python -m tests.faults $(if $(ROWS),--rows $(ROWS)) $(FAULTS_ARGUMENTS)

fuzz: environment-dev
	@$(bin)/python -m pip install -qq --disable-pip-version-check --constraint $(locked) --no-build-isolation --editable '.[fuzz]'
	@$(bin)/python -m tests.fuzz $(FUZZ_ARGUMENTS)

soak: test-parts environment-dev
	@$(bin)/python -m tests.soak $(if $(HOURS),--hours $(HOURS)) $(if $(PARTS),--parts $(PARTS)) $(SOAK_ARGUMENTS)

check: environment-dev
	$(bin)/ruff check
	$(bin)/ruff format --check
	$(bin)/mypy
	$(bin)/lint-imports --no-cache
	$(bin)/python -m pytest -q -m tree

generated: environment-dev
	$(bin)/python -m tests.test_generated

# The stamp of the environment for developers serves the demo too: it holds more.
environment-demo:
	@if ! cat $(ingredients) | cmp -s - $(VENV)/stamp-dev; then $(call make_environment,demo,demo); fi

environment-dev:
	@$(call make_environment,dev,dev$(comma)demo)

test-parts:
	@missing=(); \
	for part in $(test_parts); do command -v $$part >/dev/null || missing+=($$part); done; \
	if [ $${#missing[@]} -eq 0 ]; then exit 0; fi; \
	if [ "$$(id -u)" -eq 0 ] && command -v apt-get >/dev/null; then \
		echo "Installing for the tests: $${missing[*]}"; \
		apt-get update -q && DEBIAN_FRONTEND=noninteractive apt-get install -q -y --no-install-recommends $${missing[@]}; \
	else \
		echo "The tests need $${missing[*]}, and only root can install that. Run this, then make test again:" >&2; \
		echo "    sudo apt-get update && sudo apt-get install $${missing[*]}" >&2; \
		exit 2; \
	fi

comma := ,

# $(call make_environment,NAME,EXTRAS): an environment from the locked versions, unless its stamp says that it is there.
define make_environment
set -euo pipefail; \
if cat $(ingredients) | cmp -s - $(VENV)/stamp-$(1); then exit 0; fi; \
python=; \
for candidate in python3.11 python3; do \
	if "$$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then python=$$candidate; break; fi; \
done; \
if [ -z "$$python" ]; then \
	echo "Python 3.11 or newer is needed. On Debian 12 or newer, or Ubuntu 24.04 or newer, as root:" >&2; \
	echo "    apt-get update && apt-get install python3 python3-venv" >&2; \
	exit 2; \
fi; \
if ! "$$python" -c 'import ensurepip, venv' 2>/dev/null; then \
	echo "This Python cannot make environments: a part that Debian packs apart is missing. As root:" >&2; \
	echo "    apt-get update && apt-get install $$("$$python" -c 'import sys; print("python%d.%d-venv" % sys.version_info[:2])')" >&2; \
	exit 2; \
fi; \
echo "Making the Python environment in $(VENV) (once; about a minute)"; \
"$$python" -m venv --clear $(VENV); \
export PIP_DISABLE_PIP_VERSION_CHECK=1; \
$(bin)/python -m pip install -qq --constraint $(locked) setuptools; \
$(bin)/python -m pip install -qq --constraint $(locked) --no-build-isolation --editable '.[$(2)]'; \
cat $(ingredients) > $(VENV)/stamp-$(1)
endef
