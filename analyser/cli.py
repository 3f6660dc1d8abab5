"""The command line."""


def main(argv=None) -> int:
    raise SystemExit("not built yet")
