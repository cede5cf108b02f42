/* See finest.py: shrinkage of the finest scale, whose planes are made of light row by row, as tiles need them. */
#include "opponent.h"
#include "shrink.h"

/* Light and the coarse planes that are added to it. `upper` and `lower` are rows of these, in a tile of first column
   `tile` as wide as it is; -1 for none yet. */
typedef struct {
    const float *light, *coarse, *row_shares, *column_shares;
    const int32_t *rows, *columns;
    Py_ssize_t high, narrow, tile;
    int32_t upper, lower;
    int turned; /* whether the upper row stands behind the lower one */
} Light;

INLINE float *wide_of(const Tile *tile, int turned, int plane) { return row_of(tile, GIVER + 3 * turned + plane); }

FAST static void widen(const Scale *scale, const Tile *tile, int32_t row, int turned)
{
    const Light *by = scale->giver;
    for (Piece piece = first_piece(scale, tile); piece.count; piece = next_piece(scale, tile, piece))
        for (int plane = 0; plane < 3; plane++) {
            const float *from = by->coarse + (plane * by->high + row) * by->narrow, *share = by->column_shares + piece.column;
            const int32_t *columns = by->columns + 2 * piece.column;
            float *to = wide_of(tile, turned, plane) + piece.at;
            for (Py_ssize_t i = 0; i < piece.count; i++) {
                float left = from[columns[2 * i]], right = from[columns[2 * i + 1]];
                to[i] = left + (right - left) * share[i];
            }
        }
}

/* The rows that a row lies between; most rows lie between those of the row before. */
static void widen_both(const Scale *scale, const Tile *tile, const int32_t *rows)
{
    Light *by = scale->giver;
    if (by->tile != tile->first) {
        by->tile = tile->first;
        by->upper = by->lower = -1;
    }
    if (by->upper != rows[0] && by->lower == rows[0]) {
        by->lower = by->upper;
        by->upper = rows[0];
        by->turned = !by->turned;
    }
    if (by->upper != rows[0])
        widen(scale, tile, by->upper = rows[0], by->turned);
    if (by->lower != rows[1])
        widen(scale, tile, by->lower = rows[1], !by->turned);
}

FAST static void take_row(const Scale *scale, const Tile *tile, Py_ssize_t row)
{
    const Light *by = scale->giver;
    widen_both(scale, tile, by->rows + 2 * row);
    for (Piece piece = first_piece(scale, tile); piece.count; piece = next_piece(scale, tile, piece)) {
        float *upper[3], *lower[3], *planes[3];
        for (int plane = 0; plane < 3; plane++) {
            upper[plane] = wide_of(tile, by->turned, plane) + piece.at;
            lower[plane] = wide_of(tile, !by->turned, plane) + piece.at;
            planes[plane] = at(&tile->plane[plane], row) + piece.at;
        }
        part_pixels(by->light + 3 * (row * scale->width + piece.column), upper, lower, by->row_shares[row],
                    piece.count, planes);
    }
}

static const Argument arguments[] = {
    {"light", 'f', 0, 3, {-1, -2, 3}}, {"coarse", 'f', 0, 3, {3, -3, -4}}, {"rows", 'i', 0, 2, {-1, 2}},
    {"row_shares", 'f', 0, 1, {-1}},   {"columns", 'i', 0, 2, {-2, 2}},    {"column_shares", 'f', 0, 1, {-2}},
    {"steps", 'i', 0, 1, {-1}},        {"noise", 'f', 0, 2, {3, 4}},       {"shares", 'f', 0, 2, {-1, 5}},
    {"control", 'f', 0, 2, {3, 2}},    {"smooth", 'f', 1, 3, {3, -5, -6}}, {"change", 'f', 1, 3, {3, -7, -2}}};

static const char *fault_of(const Scale *scale, const Light *by)
{
    if (!lie_inside(by->rows, 2 * scale->rows, by->high) || !lie_inside(by->columns, 2 * scale->width, by->narrow))
        return "rows, columns: not all in the coarse planes";
    return shrink_fault(scale);
}

PyObject *shrink_finest_kernel(PyObject *self, PyObject *args)
{
    PyObject *given[12];
    Arrays arrays;
    Scale scale = {.spacing = 1, .from_one = 1, .fresh = 1, .take_row = take_row};
    (void)self;
    if (!PyArg_ParseTuple(args, "OOOOOOOOOOnnOO", &given[0], &given[1], &given[2], &given[3], &given[4], &given[5],
                          &given[6], &given[7], &given[8], &given[9], &scale.odd, &scale.skip, &given[10], &given[11])
        || open_arrays(given, arguments, 12, &arrays) < 0)
        return NULL;
    const Py_buffer *view = arrays.view;
    const Py_ssize_t *length = arrays.length;
    Light light = {view[0].buf, view[1].buf, view[3].buf, view[5].buf, view[2].buf, view[4].buf, length[2], length[3], -1,
                   -1,          -1,          0};
    scale.giver = &light;
    scale.rows = length[0];
    scale.width = length[1];
    scale.left = length[4];
    scale.left_width = length[5];
    scale.results = length[6];
    scale.columns = view[6].buf;
    scale.noise = view[7].buf;
    scale.shares = view[8].buf;
    scale.control = view[9].buf;
    scale.smooth = view[10].buf;
    scale.change = view[11].buf;
    return end_shrink(&scale, &arrays, fault_of(&scale, &light));
}
