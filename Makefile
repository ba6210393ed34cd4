PYTHON ?= python3.11
VENV ?= .venv
BIN = $(VENV)/bin
PHOTO = data_synthetic/demo/bench.jpg

.PHONY: demo serve test test-ray test-training setup check lint clean

$(VENV)/.core: pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check -e .
	touch $@

$(VENV)/.dev: $(VENV)/.core
	$(BIN)/pip install --quiet --disable-pip-version-check -e '.[dev,heic,stock,survey,postgresql,parquet,remote,web]'
	touch $@

$(VENV)/.training: $(VENV)/.dev
	$(BIN)/pip install --quiet --disable-pip-version-check -e '.[train,render]'
	touch $@

setup: $(VENV)/.dev

demo: $(VENV)/.core
	mkdir -p out
	$(BIN)/tapwright identify $(PHOTO) --overlay out/bench-measured.jpg
	@echo "The measured picture is out/bench-measured.jpg"

$(VENV)/.web: $(VENV)/.core
	$(BIN)/pip install --quiet --disable-pip-version-check -e '.[web]'
	touch $@

serve: $(VENV)/.web
	$(BIN)/tapwright serve

test: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest -m browser & browser=$$!; \
	$(BIN)/python -m pytest -m "not browser and not train and not render and not ray"; rest=$$?; \
	wait $$browser && exit $$rest

$(VENV)/.ray: $(VENV)/.dev
	$(BIN)/pip install --quiet --disable-pip-version-check -e '.[ray]'
	touch $@

test-ray: $(VENV)/.ray
	$(BIN)/python -m pytest -m ray

test-training: $(VENV)/.training
	$(BIN)/python -m pytest -m "train or render"

clean:
	rm -rf $(VENV) build out *.egg-info
