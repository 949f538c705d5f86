"""The command line: thin, one file per command, heavy work imported only when a command runs."""

__all__: list[str] = []
