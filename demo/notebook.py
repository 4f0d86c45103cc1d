"""Executing the example notebook, so that what it shows is what the code gives.

``python -m tonelab.demo.notebook FOLDER`` writes its outputs anew, from what ``tonelab demo``
left in FOLDER.
"""

from __future__ import annotations

import ast
import contextlib
import io
import json
import sys
from pathlib import Path
from typing import Any

NOTEBOOK = Path(__file__).with_name("example.ipynb")
FOLDER = "tonelab-demo"  # where the notebook looks


def outputs(notebook: dict[str, Any], folder: Path) -> list[list[dict[str, Any]]]:
    """Execute the code cells one after the other in ``folder`` and give what each of them shows."""
    names: dict[str, Any] = {"__name__": "__main__"}
    with contextlib.chdir(folder):
        return [
            _output("".join(cell["source"]), names)
            for cell in notebook["cells"]
            if cell["cell_type"] == "code"
        ]


def _output(source: str, names: dict[str, Any]) -> list[dict[str, Any]]:
    body = ast.parse(source).body
    last = body.pop() if body and isinstance(body[-1], ast.Expr) else None
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(ast.Module(body, []), "<cell>", "exec"), names)  # noqa: S102 - our own cells
        value = None
        if isinstance(last, ast.Expr):
            value = eval(compile(ast.Expression(last.value), "<cell>", "eval"), names)  # noqa: S307
    shown: list[dict[str, Any]] = []
    if printed.getvalue():
        lines = printed.getvalue().splitlines(keepends=True)
        shown.append({"output_type": "stream", "name": "stdout", "text": lines})
    if value is not None:
        html = getattr(value, "_repr_html_", None)
        data = {"text/html": html().splitlines(keepends=True)} if html else {}
        data["text/plain"] = [f"<{type(value).__name__}>"] if html else [repr(value)]
        shown.append({"output_type": "display_data", "data": data, "metadata": {}})
    return shown


def main(folder: Path) -> None:
    """Execute the notebook where the demonstration was run and keep what it shows."""
    if folder.name != FOLDER:
        sys.exit(f"{folder} is not named {FOLDER}, where the notebook looks: run the demo again.")
    notebook = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    cells = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    found = outputs(notebook, folder.absolute().parent)
    for number, (cell, shown) in enumerate(zip(cells, found, strict=True), start=1):
        cell["execution_count"], cell["outputs"] = number, shown
    text = json.dumps(notebook, indent=1, ensure_ascii=False) + "\n"
    NOTEBOOK.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(FOLDER))
