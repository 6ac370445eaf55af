"""Is the candidate as good as the base? Differences with intervals, and the answers they allow."""
