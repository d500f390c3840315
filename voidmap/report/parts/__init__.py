"""The sections of the job sheet, each from the sheet's nouns to HTML; every text from outside is escaped."""
