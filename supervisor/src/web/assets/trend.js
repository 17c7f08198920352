// placeholder while the page is drawn by the server
