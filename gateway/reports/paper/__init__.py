"""Reports on paper: what stands where on each page, and the PDF made of it."""
