"""Annual report: one document from all figures, as a page to print and as a PDF.

`blocks` defines the parts of a document, `document` builds this one, and `pdf` renders any such document; the
page loops over the same blocks. So page and PDF cannot differ in a number.
"""
