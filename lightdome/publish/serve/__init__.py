"""The review page on this machine: files of a night with ranges, and what people find, kept."""
