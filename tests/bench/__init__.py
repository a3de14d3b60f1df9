"""The measured table: `python -m tests.bench`. Ratios are measured side by side in one run."""
