"""Exceptions: internal and configuration errors; a problem account is a finding instead."""

from __future__ import annotations


class RightsizeError(Exception):
    """Base class of the tool's own exceptions."""


class ConfigError(RightsizeError):
    """Invalid configuration, catalog, tariff or meter list."""


class CatalogueError(ConfigError):
    """A catalog entry contradicts itself or the standards."""


class ContractError(RightsizeError):
    """A table violates its contract."""


class ValidationError(RightsizeError):
    """A validation suite failed and `failed_suite` is `stop`."""


class BalanceError(ContractError):
    """Rows or accounts do not balance between two stages."""


class WorkspaceBusyError(RightsizeError):
    """Another sweep holds the workspace."""


class ClusterError(RightsizeError):
    """The workers of a cluster cannot run the sweep."""


class StoreError(RightsizeError, OSError):
    """An object store did not respond as expected; may be temporary."""


class QueryError(RightsizeError):
    """An invalid or forbidden query."""
