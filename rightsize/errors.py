"""Errors of the tool and its configuration; a bad account is a finding, not an error."""

from __future__ import annotations


class RightsizeError(Exception):
    """Base class of all rightsize errors."""


class ConfigError(RightsizeError):
    """The configuration, catalog, tariff or meter list has an error."""


class CatalogueError(ConfigError):
    """A catalog entry contradicts itself or trade practice."""


class ContractError(RightsizeError):
    """A table breaks its contract."""


class ValidationError(RightsizeError):
    """A validation suite failed, and the configuration says to stop."""


class BalanceError(ContractError):
    """Rows or accounts were lost or added between two stages."""


class WorkspaceBusyError(RightsizeError):
    """Another sweep is using the workspace."""


class ClusterError(RightsizeError):
    """The workers of a cluster cannot run a sweep."""


class DamageError(RightsizeError):
    """A file of the workspace is not what it was when it was written."""


class StoreError(RightsizeError, OSError):
    """An object store did not answer or failed; a retry may help."""


class QueryError(RightsizeError):
    """A query that is invalid or not allowed."""
