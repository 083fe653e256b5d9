package commission

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"flume.example/sequencerd/internal/settings"
)

// WriteMarks writes the table for markers on the floor: for each pace that the calibration in the configuration covers, what it is at each station. It is an
// error where no stations were measured.
func WriteMarks(w io.Writer, s *settings.Settings) error {
	var places []PlaceShare
	for _, o := range s.Calibration.Stations {
		places = append(places, PlaceShare{Name: o.Name, FromOutlet: o.FromOutlet.Metres(), Share: o.Share})
	}
	points := s.Model.Points()
	least, most := points[0].Water.MetresPerSecond(), points[len(points)-1].Water.MetresPerSecond()
	m := markersOf(places, func(mps float64) bool { return mps >= least && mps <= most })
	if m == nil {
		return errors.New(`no stations along the flume are configured: the part "stations" of the course measures them, and commission --keep puts them in`)
	}
	fmt.Fprintf(w, "%s: the pace per 100 m at each place along the flume. A swimmer who stands still over a mark swims its pace.\n\n", s.Flume.Name)
	columns := tabwriter.NewWriter(w, 0, 0, 3, ' ', tabwriter.AlignRight)
	var names, from []string
	for _, p := range m.Places {
		names, from = append(names, p.Name), append(from, fmt.Sprintf("%g m from the outlet", p.FromOutlet))
	}
	for _, row := range append([][]string{names, from}, m.Rows...) {
		fmt.Fprintln(columns, strings.Join(row, "\t")+"\t")
	}
	if err := columns.Flush(); err != nil || !m.Left {
		return err
	}
	_, err := fmt.Fprintln(w, "\nPaces that this flume was not calibrated for are left out.")
	return err
}
