"""One job in one folder: inputs, journal, results, report."""
