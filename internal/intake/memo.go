package intake

import (
	"slices"
	"strings"

	"perennial/internal/codes"
)

// memo keeps what the code book said of the codes that came lately: most
// studies of a site have one of few combinations.
type memo [256]answer

// answer is what the book said of one combination of codes.
type answer struct {
	form  uint64 // how many codes each concept has; 0: nothing is kept here
	asked []codes.Coding
	what  codes.Imaging
	rule  codes.Rule
	known bool
}

// study is Book.Study for a study of which only codes and modalities are asked
// about; codings are all of them, in order.
func (m *memo) study(book *codes.Book, ask codes.Study, codings []codes.Coding) (codes.Imaging, codes.Rule, bool) {
	form := formOf(ask)
	if form == 0 {
		return book.Study(ask)
	}
	place := uint32(form)
	for i := range codings {
		for _, c := range []byte(codings[i].Code) {
			place = (place ^ uint32(c)) * 16777619
		}
	}
	a := &m[(place>>16^place)%uint32(len(m))]
	if a.form != form || !slices.Equal(a.asked, codings) {
		a.form, a.asked = form, a.asked[:0]
		for _, c := range codings { // their texts may lie in a buffer
			a.asked = append(a.asked, codes.Coding{System: strings.Clone(c.System), Code: strings.Clone(c.Code), Text: strings.Clone(c.Text)})
		}
		a.what, a.rule, a.known = book.Study(ask)
	}
	return a.what, a.rule, a.known
}

// formOf tells in one number how codings are parted into concepts and
// modalities; 0 where they are too many, or more is asked about.
func formOf(ask codes.Study) uint64 {
	const most = 255
	if len(ask.Procedure) > 6 || len(ask.Modalities) > most || len(ask.Order) > 0 || len(ask.Series) > 0 || ask.Text != "" {
		return 0
	}
	form := uint64(1)<<8 | uint64(len(ask.Modalities))
	for i := range ask.Procedure {
		n := len(ask.Procedure[i].Codings)
		if n > most || ask.Procedure[i].Text != "" {
			return 0
		}
		form = form<<8 | uint64(n)
	}
	return form
}
