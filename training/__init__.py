"""From pictures to the shipped model: prepare, train, export, calibrate, evaluate, card; joined by files."""
