"""The pages for browsers: rendered here, kept live by the modules in ``daemon/web/static``."""
