"""Where the command starts, and where every fault of the user becomes a message and an exit code.

predict has a parser of its own: typer's, with what it imports, would cost as much time as naming the photograph.
"""

from __future__ import annotations

import os
import signal
import sys

from tickvision.errors import TickvisionError

OK, USER_FAULT, USAGE, SOME_FAILED = 0, 1, 2, 3
SERVE = ("starlette", "uvicorn", "python_multipart")
EXTRA_OF = dict.fromkeys(SERVE, "serve") | {"argon2": "review", "optuna": "search"}


def main() -> None:
    """Run the command line. Exit codes: 0 done, 1 input at fault, 2 wrong usage, 3 done but some items failed."""
    try:
        try:
            _command()
        finally:
            sys.stdout.flush()  # Python's own flush, after all this, has no words for a full disk
    except TickvisionError as error:
        print(f"tickvision: {error}", file=sys.stderr)
        sys.exit(USER_FAULT)
    except BrokenPipeError:
        _drop_output()  # the reader at the other end of the pipe has gone; nothing is wrong
        sys.exit(OK)
    except ModuleNotFoundError as error:
        print(_missing_module(error), file=sys.stderr)
        sys.exit(USER_FAULT)
    except MemoryError:
        print(
            "tickvision: there is not enough memory for this. What was finished is kept; free some, or use fewer "
            "--threads or smaller batches, and the same command goes on from there.",
            file=sys.stderr,
        )
        sys.exit(USER_FAULT)
    except OSError as error:
        print(
            f"tickvision: {error.filename or 'what was being read or written'}: {error.strerror}. What was finished is "
            "kept; the same command goes on from there.",
            file=sys.stderr,
        )
        _drop_output()
        sys.exit(USER_FAULT)
    except Exception:
        print("tickvision: this is a fault of the program. Please report it with the lines below.", file=sys.stderr)
        raise


def _drop_output() -> None:
    """Let what stdout still holds go nowhere: on exit it would fail again (Python's note on SIGPIPE)."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _command() -> None:
    """Run what was typed; a stop ends here, whatever the code that it interrupted made of it."""
    stopped_by = _stop_tidily()
    try:
        if sys.argv[1:2] == ["predict"]:
            from tickvision import predict_command

            sys.exit(SOME_FAILED if predict_command.run(sys.argv[2:]) else OK)
        from tickvision.cli import app

        app()
    except BaseException as end:  # typer makes a silent exit of Ctrl-C, numpy's import an ImportError
        if not stopped_by and not isinstance(end, KeyboardInterrupt):
            raise
        serves = "--serve" in sys.argv or sys.argv[1:3] == ["review", "serve"]
        kept = "" if serves else " What was finished is kept; the same command goes on from there."
        print(f"tickvision: stopped.{kept}", file=sys.stderr)
        sys.exit(128 + (stopped_by or [signal.SIGINT])[0])


def _stop_tidily() -> list[int]:
    """Let a service manager's SIGTERM tidy up and say how to go on, as Ctrl-C does; the list gets what stopped us."""
    stopped_by: list[int] = []

    def stop(number: int, _frame: object) -> None:
        stopped_by.append(number)
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # a shell's background job ignores Ctrl-C
        signal.signal(signal.SIGINT, stop)
    return stopped_by


def _missing_module(error: ModuleNotFoundError) -> str:
    extra = "review" if sys.argv[1:2] == ["review"] else EXTRA_OF.get(error.name or "", "train")
    return (
        f"tickvision: this command needs the package '{error.name}', which is not installed. "
        f"Run: pip install 'tickvision[{extra}]'"
    )


if __name__ == "__main__":
    main()
