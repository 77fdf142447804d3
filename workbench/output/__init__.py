"""What commands and page share to print, draw and write."""
