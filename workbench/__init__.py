"""What a person meets: commands, figures, the sheet, the report and the page."""
