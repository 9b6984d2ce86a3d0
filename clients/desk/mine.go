package desk

import (
	"net/http"

	pb "fairlead/proto/gen/fairlead/v1"
)

// mineLooks is how many pages of the service are looked through for one here:
// whoever files for others has pages on which nothing is their own.
const mineLooks = 5

// mine lists the reports that who is signed in told under their own name.
func (d *desk) mine(v *visit) {
	v.w.Header().Set("Cache-Control", "no-store")
	after := v.r.URL.Query().Get("after")
	list, token := &pb.ListMyReportsResponse{}, after
	for look := 0; look == 0 || look < mineLooks && len(list.GetReports()) == 0 && token != ""; look++ {
		var err error
		if list, err = d.own.ListMyReports(v.ctx(), &pb.ListMyReportsRequest{PageToken: token}); err != nil {
			if _, bad := flaws(err); bad && after != "" {
				// Made before the server last began, or another's.
				http.Redirect(v.w, v.r, "/mine", http.StatusSeeOther)
				return
			}
			d.problem(v.w, v, err)
			return
		}
		token = list.GetNextPageToken()
	}
	waiting := int32(0)
	for _, r := range list.GetReports() {
		waiting += r.GetProgress().GetQuestionsWaiting()
	}
	d.pages.render(v.w, http.StatusOK, "mine", view{Title: "Reports you told", Here: "mine", Visit: v, Data: map[string]any{
		"Reports": list.GetReports(), "NotListed": list.GetNotListed(), "Next": token, "Older": after != "", "Waiting": waiting}})
}

// mineOne shows what came of one of them.
func (d *desk) mineOne(v *visit) {
	d.renderMine(v, http.StatusOK, receiptPage{}, receiptDone[v.r.URL.Query().Get("done")])
}

func (d *desk) renderMine(v *visit, code int, p receiptPage, done string) {
	v.w.Header().Set("Cache-Control", "no-store")
	name := "reports/" + v.r.PathValue("id")
	one, err := d.own.GetMyReport(v.ctx(), &pb.GetMyReportRequest{Name: name})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	list, err := d.own.ListMyReportMessages(v.ctx(), &pb.ListMyReportMessagesRequest{Report: name})
	if err != nil {
		d.problem(v.w, v, err)
		return
	}
	d.pages.render(v.w, code, "mineone", view{Title: "What came of it", Here: "mine", Visit: v, Done: done, Data: map[string]any{
		"Action": "/mine/" + v.r.PathValue("id"), "Progress": one.GetProgress(), "Messages": list.GetMessages(),
		"Words": p.Words, "Answers": p.Answers, "Flaws": located(p.Flaws, heardFields)}})
}

// mineSay takes what the teller has to say.
func (d *desk) mineSay(v *visit) {
	name, do := "reports/"+v.r.PathValue("id"), v.r.PostFormValue("do")
	var err error
	switch do {
	case "answer", "not-fixed":
		_, err = d.own.AddMyReportMessage(v.ctx(), &pb.AddMyReportMessageRequest{Report: name, Text: posted(v.r, "text"), NotFixed: do == "not-fixed",
			Answers: v.r.PostFormValue("answers"), RequestId: v.r.PostFormValue("request_id")})
	case "read":
		_, err = d.own.AcknowledgeMyReportMessage(v.ctx(), &pb.AcknowledgeMyReportMessageRequest{Name: v.r.PostFormValue("message")})
	}
	if err == nil {
		// A reload sends nothing twice.
		http.Redirect(v.w, v.r, "/mine/"+v.r.PathValue("id")+"?done="+do, http.StatusSeeOther)
		return
	}
	wrong, code := receiptTrouble(err)
	if code == http.StatusNotFound {
		d.problem(v.w, v, err)
		return
	}
	d.renderMine(v, code, receiptPage{Words: posted(v.r, "text"), Answers: v.r.PostFormValue("answers"), Flaws: wrong}, "")
}
