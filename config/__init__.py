"""Site configuration: strict models, unit strings, the loader and the packaged alarm set."""
