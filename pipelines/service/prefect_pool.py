"""Bucket work as Prefect tasks: tens of tasks, on threads or on a Dask cluster."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from typing import Any, Final

from prefect import task
from prefect.cache_policies import NO_CACHE
from prefect.futures import PrefectFuture
from prefect.task_runners import TaskRunner, ThreadPoolTaskRunner

from pipelines.store.workspace import Workspace
from pipelines.work.bucket_work import Pool, worker_count
from pipelines.work.cluster import check_cluster
from rightsize.errors import ConfigError

MOST_TASKS: Final = 48
"""Tasks per stage: a task costs Prefect 10 to 100 ms, and people read the list."""


class Work:
    """A function and its arguments, as one object that Prefect does not inspect.

    Not a dataclass, which Prefect would inspect. prefect-dask undoes Prefect's own `quote`.
    """

    def __init__(self, fn: Callable[..., Any], arguments: tuple[Any, ...]) -> None:
        self.fn, self.arguments = fn, arguments


@task(name="buckets", cache_policy=NO_CACHE, persist_result=False)
def do_buckets(work: Work) -> Any:
    """The work on some buckets."""
    return work.fn(*work.arguments)


@contextmanager
def prefect_pool(
    workspace: Workspace, *, workers: int | None, scheduler: str | None
) -> Iterator[Pool]:
    """Prefect's threads, or through prefect-dask the workers of a Dask cluster."""
    if scheduler is not None:
        check_cluster(scheduler, workspace)
    with _runner(workers, scheduler) as runner, TaskExecutor(runner) as executor:
        yield Pool(
            executor,
            most_tasks=MOST_TASKS,
            sees_workspace=scheduler is None or workspace.lake_url is None,
        )


def _runner(workers: int | None, scheduler: str | None) -> TaskRunner[Any]:
    if scheduler is None:
        return ThreadPoolTaskRunner(max_workers=worker_count(workers))
    try:
        from prefect_dask.task_runners import DaskTaskRunner
    except ImportError:
        raise ConfigError(
            "a scheduler needs prefect-dask, which is not installed; "
            "run: pip install 'rightsize[cluster]'"
        ) from None
    return DaskTaskRunner(address=scheduler)


class TaskExecutor(Executor):
    """Submits to a Prefect task runner; futures are those of `concurrent.futures`."""

    def __init__(self, runner: TaskRunner[Any]) -> None:
        self._runner = runner

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """One task run; arguments are not searched for futures, as there are none."""
        if kwargs:
            raise TypeError("bucket work takes positional arguments only")
        inner = self._runner.submit(do_buckets, parameters={"work": Work(fn, args)})
        return _BucketFuture(inner)


class _BucketFuture(Future[Any]):
    """Follows a Prefect future."""

    def __init__(self, inner: PrefectFuture[Any]) -> None:
        super().__init__()
        self._inner = inner
        inner.add_done_callback(self._follow)

    def cancel(self) -> bool:
        """Cancel it, if it has not started."""
        wrapped = getattr(self._inner, "wrapped_future", None)
        if wrapped is not None:
            wrapped.cancel()
        return super().cancel()

    def _follow(self, inner: PrefectFuture[Any]) -> None:
        if not self.set_running_or_notify_cancel():
            return
        try:
            result = inner.result()
        except BaseException as error:
            self.set_exception(error)
        else:
            self.set_result(result)
