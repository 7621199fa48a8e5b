"""From text to typed rows: one module per kind of check; `pipeline.validate` is the way in."""
