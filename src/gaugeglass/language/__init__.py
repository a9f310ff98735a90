"""The file language: units, expressions, values, priors, and the files that are written in them."""
