"""What readers see: pictures, tables and the page; the only room that formats numbers."""
