"""The shipped network: fitting_classifier.onnx, its card fitting_classifier.toml, and MODEL_CARD.md for people."""
