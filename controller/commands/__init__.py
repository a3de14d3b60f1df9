"""The commands of `ovenhand`, one module each: `add_arguments(parser)` and `run(args) -> int`."""
