"""The report: what was found, for the workshop's file and for the car's owner, as one HTML file that prints.

    from toothwise.report import page
    html = page(told)          # `told`: see `page.page`

It is given everything and works nothing out: results of examinations and wiggle tests, the book's records, the plan.
"""

from toothwise.report.page import page

__all__ = ["page"]
