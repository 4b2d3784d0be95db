"""Errors for us and for the configuration; a poor account is a finding, not an error."""

from __future__ import annotations


class RightsizeError(Exception):
    """Anything the tool raises on purpose."""


class ConfigError(RightsizeError):
    """The configuration, catalogue, tariff or meter list cannot be used as it is."""


class CatalogueError(ConfigError):
    """A catalogue entry contradicts itself or the trade."""


class ContractError(RightsizeError):
    """A table does not hold what its contract promises."""


class ValidationError(RightsizeError):
    """A suite failed that the configuration lets stop a sweep."""


class BalanceError(ContractError):
    """Rows or accounts went missing or appeared between two stages."""


class WorkspaceBusyError(RightsizeError):
    """Another sweep holds the workspace."""


class ClusterError(RightsizeError):
    """The workers of a cluster cannot do a sweep's work."""


class DamageError(RightsizeError):
    """A file of the workspace is not what it was when it was written."""


class StoreError(RightsizeError, OSError):
    """An object store did not answer, or not as it must; it may pass by itself."""


class QueryError(RightsizeError):
    """A query that is refused or not understood."""
