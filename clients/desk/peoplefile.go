package desk

import (
	"net/http"
	"strconv"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"fairlead/clients/peoplefile"
	"fairlead/clients/words"
	pb "fairlead/proto/gen/fairlead/v1"
)

// mostLines is how many lines about a file a page shows.
const mostLines = 300

// imported is what the page says about a file of people.
type imported struct {
	// Problems are what must be mended, Lines what would become of each row,
	// and Sum what became of all.
	Problems, Lines []string
	Sum             string
	// More is how many lines are left out.
	More int
	// Codes reports whether some of them need a code to sign in.
	Codes bool
}

func (i *imported) say(list *[]string, line string) {
	if len(*list) >= mostLines {
		i.More++
		return
	}
	*list = append(*list, line)
}

// importPeople takes a file of people: all of it or nothing.
func (d *desk) importPeople(v *visit) {
	change, check := v.r.PostFormValue("change") != "", v.r.PostFormValue("check") != ""
	again := func(code int, form joining) {
		form.Name, form.Values = "file", v.r.PostForm
		d.renderPeople(v, form, code)
	}
	wrong := func(words string) {
		again(http.StatusUnprocessableEntity, joining{Flaws: []flaw{bad("file", words)}})
	}
	file, _, err := v.r.FormFile("file")
	if err != nil {
		wrong("choose a CSV file of at most 4 MB")
		return
	}
	defer file.Close()
	encoding := ""
	if v.r.PostFormValue("encoding") == "old" {
		encoding = "windows-1252"
	}
	list, err := peoplefile.Read(file, encoding)
	if err != nil {
		wrong(err.Error())
		return
	}
	if change && !list.Where {
		wrong("the file has no column workplaces, so whoever is in it would reach every workplace; add the column, or do not change those who are there")
		return
	}
	problems := list.Problems
	out := &pb.ImportPrincipalsResponse{}
	if len(list.Rows) > 0 {
		// With something to mend already, only what else there is to mend.
		req := list.Request(change, check || len(problems) > 0)
		req.RequestId = posted(v.r, "request_id")
		out, err = d.principals.ImportPrincipals(v.ctx(), req)
	}
	if found, isBad := flaws(err); isBad {
		for _, f := range found {
			problems = append(problems, list.At(f.Field, f.Words))
		}
		err = nil
	}
	said := &imported{}
	switch {
	case status.Code(err) == codes.FailedPrecondition:
		again(http.StatusConflict, joining{Flaws: []flaw{bad("file", status.Convert(err).Message())}})
		return
	case err != nil:
		d.problem(v.w, v, err)
		return
	case len(problems) > 0:
		peoplefile.Sort(problems)
		for _, p := range problems {
			said.say(&said.Problems, p.String())
		}
		again(http.StatusUnprocessableEntity, joining{Imported: said, Flaws: []flaw{bad("file", "has lines that need mending. Nothing of the file was stored: mend them and bring it in again.")}})
		return
	}
	for _, r := range out.GetRows() {
		said.say(&said.Lines, "line "+strconv.Itoa(int(r.GetLine()))+": "+words.ImportStep(r))
	}
	said.Sum, said.Codes = words.Imported(out, check), !check && out.GetJoined() > 0
	again(http.StatusOK, joining{Imported: said})
}
