"""Run notebooks with parameters, several at a time, and keep what each of them shows."""

from __future__ import annotations

import ast
import asyncio
import os
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import nbformat
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient
from nbclient.exceptions import CellTimeoutError, DeadKernelError
from nbformat import NotebookNode
from traitlets import default
from traitlets.config import Config

from analytics.errors import QuestionError, SettingsError
from analytics.reports.prepared import say_pictures

#: Notebooks of one report that run at the same time: one for each core of a small machine.
N_AT_ONCE = 2

#: Each notebook keeps to one core: threads of linear algebra would fight over the two.
ONE_CORE = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")

#: What a kernel is told between two notebooks.
_FORGET = "%reset -f\n__import__('analytics.reports.memory', fromlist=['']).give_back()"

#: Seconds after which one cell is given up.
CELL_SECONDS = 900


@dataclass(frozen=True)
class Run:
    """A notebook to run.

    Parameters
    ----------
    notebook
        Its file.
    parameters
        Values of its parameters.
    told_as
        The name it is told by; its own when empty.
    pictures
        Whether a file needs its figures as PNG.
    keep
        What is kept of it when it is done, which may be where it was laid aside; all of it when
        not given.
    """

    notebook: Path
    parameters: Mapping[str, Any]
    told_as: str = ""
    pictures: bool = False
    keep: Callable[[NotebookNode], Any] | None = None


class _ThisInterpreter(KernelSpecManager):
    """Every kernel is the Python that runs now, whatever kernels the machine has."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        # The kernel's own log would tell of the interrupt that ends it; failures of cells are told
        # by the cells.
        quiet = "--log-level=CRITICAL"
        argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}", quiet]
        return KernelSpec(argv=argv, display_name=kernel_name, language="python")


class _OwnKernel(AsyncKernelManager):
    """A kernel of this interpreter."""

    @default("kernel_spec_manager")
    def _find_specs(self) -> KernelSpecManager:
        return _ThisInterpreter()


def run_notebooks(
    runs: Sequence[Run],
    *,
    environment: Mapping[str, str] | None = None,
    tell: Callable[[str], None] = lambda name: None,
) -> list[Any]:
    """Return the notebooks with what their cells show, or what is kept of each.

    A failing cell keeps its error.

    Parameters
    ----------
    runs
        Notebooks of one folder with their parameters.
    environment
        Variables that the notebooks see besides those of this process.
    tell
        Called with the name of each run that is done: its own, else that of its notebook.

    Raises
    ------
    SettingsError
        When a notebook has no such parameter.
    QuestionError
        When a kernel dies or cannot be started.
    """
    notebooks = [
        set_parameters(read_notebook(run.notebook), run.parameters, where=run.notebook.name)
        for run in runs
    ]
    with tempfile.TemporaryDirectory(prefix="talipes-") as folder:
        channels = [Path(folder) / str(number) for number in range(min(N_AT_ONCE, len(runs)))]
        work = _Work(runs, notebooks, environment or {}, tell)
        asyncio.run(_run_all(work, channels))
    return notebooks


def read_notebook(path: Path) -> NotebookNode:
    """Return a notebook of this project; raises ``QuestionError`` when it is missing."""
    try:
        return nbformat.read(path, as_version=4)
    except (OSError, nbformat.reader.NotJSONError) as error:
        raise QuestionError(
            f"the notebook cannot be read: {error}",
            where=str(path),
            allowed="a checkout of the project, installed with pip install -e .",
            todo="restore the folder notebooks beside the folder analytics",
        ) from error


def set_parameters(
    notebook: NotebookNode, values: Mapping[str, Any], *, where: str
) -> NotebookNode:
    """Return the notebook with other literals in its cell tagged ``parameters``.

    Raises
    ------
    SettingsError
        When the cell is not made of simple assignments, or holds no such parameter.
    """
    notebook = nbformat.from_dict(notebook)
    cells = [c for c in notebook.cells if "parameters" in c.metadata.get("tags", [])]
    if len(cells) != 1:
        raise SettingsError(
            f"{len(cells)} cells are tagged 'parameters'", where=where, allowed="exactly one"
        )
    known = read_parameters(cells[0].source)
    unknown = [name for name in values if name not in known]
    if unknown:
        raise SettingsError(
            f"the notebook has no parameter called {', '.join(map(repr, unknown))}",
            where=where,
            allowed=", ".join(known),
            todo="correct the name",
        )
    merged = known | dict(values)
    cells[0].source = "\n".join(f"{name} = {value!r}" for name, value in merged.items())
    return notebook


def read_parameters(source: str) -> dict[str, Any]:
    """Return the names and literals of a parameters cell.

    Raises
    ------
    SettingsError
        When it holds anything but plain assignments of literals.
    """
    found = {}
    for statement in ast.parse(source).body:
        try:
            (target,) = statement.targets  # type: ignore[attr-defined]
            found[target.id] = ast.literal_eval(statement.value)  # type: ignore[attr-defined]
        except (AttributeError, ValueError) as error:
            raise SettingsError(
                f"line {statement.lineno} of the parameters is no plain assignment",
                where="cell tagged 'parameters'",
                allowed='lines such as: language = "en"',
                todo="move other code to another cell",
            ) from error
    return found


def _client(notebook: NotebookNode, channel: Path) -> NotebookClient:
    settings = Config()
    if os.name != "nt":
        # Through files that only this user can open: a port could be read by others.
        settings.AsyncKernelManager.transport = "ipc"
        settings.AsyncKernelManager.ip = str(channel)
    return NotebookClient(
        notebook,
        config=settings,
        kernel_manager_class=_OwnKernel,
        kernel_name="python3",
        timeout=CELL_SECONDS,
        allow_errors=True,
        record_timing=False,
    )


@dataclass(frozen=True)
class _Work:
    """Notebooks to run, in place, and what they are run with."""

    runs: Sequence[Run]
    notebooks: list[Any]
    environment: Mapping[str, str]
    tell: Callable[[str], None]


async def _run_all(work: _Work, channels: Sequence[Path]) -> None:
    """Run every notebook, each kernel taking the next one when it is done.

    A kernel is kept because its imports cost more than most notebooks; it forgets all variables
    between two of them.
    """
    # The longest first, by its cells, so that none is left to run alone at the end.
    waiting = sorted(range(len(work.runs)), key=lambda i: len(work.notebooks[i].cells))
    running = [asyncio.create_task(_run_some(work, waiting, channel)) for channel in channels]
    if not running:
        return
    _, pending = await asyncio.wait(running, return_when=asyncio.FIRST_EXCEPTION)
    for task in pending:
        task.cancel()
    # All are waited for: two kernels that die for one reason are one message.
    ended = await asyncio.gather(*running, return_exceptions=True)
    for error in ended:
        if isinstance(error, Exception):
            raise error


async def _run_some(work: _Work, waiting: list[int], channel: Path) -> None:
    client = _client(work.notebooks[waiting[-1]], channel)
    environment = {**os.environ, **ONE_CORE, **work.environment}
    folder = str(work.runs[waiting[-1]].notebook.parent)
    running = work.runs[waiting[-1]]
    try:
        async with client.async_setup_kernel(cwd=folder, env=environment):
            while waiting:
                number = waiting.pop()
                running = work.runs[number]
                await _set_variables(client, say_pictures(running.pictures))
                await _execute(client, work.notebooks[number])
                if running.keep is not None:
                    work.notebooks[number] = running.keep(work.notebooks[number])
                work.tell(running.told_as or running.notebook.stem)
    except (DeadKernelError, CellTimeoutError, RuntimeError) as error:
        raise QuestionError(
            f"the notebook stopped before its end: {str(error).splitlines()[0]}",
            where=running.told_as or running.notebook.name,
            allowed=f"cells that end within {CELL_SECONDS} s and a kernel that stays alive",
            todo="run this notebook in JupyterLab to see where it stops; check free memory",
        ) from error


async def _execute(client: NotebookClient, notebook: NotebookNode) -> None:
    client.nb = notebook
    client.reset_execution_trackers()
    for index, cell in enumerate(notebook.cells):
        count = client.code_cells_executed + 1
        await client.async_execute_cell(cell, index, execution_count=count)
    await _do_silently(client, _FORGET)


async def _set_variables(client: NotebookClient, variables: Mapping[str, str]) -> None:
    """Change the environment of a kernel that other notebooks ran in."""
    await _do_silently(client, f"__import__('os').environ.update({dict(variables)!r})")


async def _do_silently(client: NotebookClient, code: str) -> None:
    assert client.kc is not None  # the kernel is running
    done = client.kc.execute(code, silent=True, store_history=False)
    await client.async_wait_for_reply(done)
