.DEFAULT_GOAL := help
PYTHON ?= python3

help:  ## show this list
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):[^#]*## */  make \1\t/' | expand -t 18

# demo and test are the README's two lines, word for word; a test compares them.
demo:  ## build an invented town and show it in the browser
	$(PYTHON) -m venv .venv && .venv/bin/pip install -q -e . -c constraints.txt && .venv/bin/underlot demo

test:  ## run the tests (add ARGS="-m slow" for the long ones)
	$(PYTHON) -m venv .venv && .venv/bin/pip install -q --require-hashes -r requirements.lock && .venv/bin/pip install -q --no-deps -e . && .venv/bin/python -m pytest $(ARGS)

lint:  ## formatting, lint, types and import directions (after make test)
	.venv/bin/ruff format --check . && .venv/bin/ruff check . && .venv/bin/mypy && .venv/bin/lint-imports

bench:  ## time and memory beside named libraries, in one run (after make test)
	.venv/bin/python -m tests.benchmarks

lock:  ## resolve the dependencies again into constraints.txt and requirements.lock
	.venv/bin/pip install -q uv && .venv/bin/uv pip compile pyproject.toml --all-extras --universal --python-version 3.11 --no-annotate --no-header -q -o constraints.txt && .venv/bin/uv pip compile pyproject.toml --all-extras --universal --python-version 3.11 --generate-hashes --no-annotate --no-header -q -o requirements.lock

pictures:  ## take the README's pictures anew from the demo's workspace (WORKSPACE=…), after make test and make demo
	.venv/bin/python -m tests.browser.take_pictures --workspace $(or $(WORKSPACE),underlot-work) --out dashboards/pictures --widths wide narrow

wheel:  ## build the wheel into dist/
	.venv/bin/pip wheel -q --no-deps -w dist .

.PHONY: help demo test lint bench lock pictures wheel
