"""The report of the year: one document out of all figures, as a page to print and as a PDF.

`blocks` says what a document is made of, `year` puts this one together, and `pdf` sets any such document on
paper; the page loops over the same blocks. So page and PDF can't differ in a number.
"""
