"""Papers for the field: work orders, lists of crews, results form; pages of the campaign."""
