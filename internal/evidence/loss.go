package evidence

import "html/template"

func (d *Document) timeline() (template.HTML, error) { return "", nil }
