"""The plan: what was asked, as YAML for people and as frozen values for the rest of the harness."""
