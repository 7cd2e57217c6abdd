"""Where the command starts, and where every fault of the user becomes a message and an exit code.

predict has a parser of its own: typer's, with what it imports, would cost as much time as naming the photograph.
"""

from __future__ import annotations

import signal
import sys

from tickvision.errors import TickvisionError

OK, USER_FAULT, USAGE, SOME_FAILED = 0, 1, 2, 3


def main() -> None:
    """Run the command line. Exit codes: 0 done, 1 input at fault, 2 wrong usage, 3 done but some items failed."""
    signal.signal(signal.SIGTERM, _stop)
    try:
        if sys.argv[1:2] == ["predict"]:
            from tickvision import predict_command

            sys.exit(SOME_FAILED if predict_command.run(sys.argv[2:]) else OK)
        from tickvision.cli import app

        app()
    except TickvisionError as error:
        print(f"tickvision: {error}", file=sys.stderr)
        sys.exit(USER_FAULT)
    except KeyboardInterrupt as stop:
        print("tickvision: stopped. What was finished is kept; the same command goes on from there.", file=sys.stderr)
        sys.exit(stop.args[0] if stop.args else 128 + signal.SIGINT)
    except BrokenPipeError:
        sys.stderr.close()  # the reader at the other end of the pipe has gone; nothing is wrong
        sys.exit(OK)
    except ModuleNotFoundError as error:
        print(_missing_module(error), file=sys.stderr)
        sys.exit(USER_FAULT)
    except OSError as error:
        print(
            f"tickvision: {error.filename or 'a file'}: {error.strerror}. What was finished is kept; the same command "
            "goes on from there.",
            file=sys.stderr,
        )
        sys.exit(USER_FAULT)
    except Exception:
        print("tickvision: this is a fault of the program. Please report it with the lines below.", file=sys.stderr)
        raise


def _stop(number: int, _frame: object) -> None:
    """Let a service manager's SIGTERM tidy up and say how to go on, as Ctrl-C does."""
    raise KeyboardInterrupt(128 + number)


def _missing_module(error: ModuleNotFoundError) -> str:
    extra = "serve" if error.name in ("starlette", "uvicorn", "python_multipart") else "train"
    return (
        f"tickvision: this command needs the package '{error.name}', which is not installed. "
        f"Run: pip install 'tickvision[{extra}]'"
    )


if __name__ == "__main__":
    main()
