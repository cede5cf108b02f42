/* The compiled forms of the room's operations, as one Python module. */
#include "common.h"

PyObject *transform_kernel(PyObject *self, PyObject *args);
PyObject *fit_kernel(PyObject *self, PyObject *args);
PyObject *code_kernel(PyObject *self, PyObject *args);
PyObject *shift_kernel(PyObject *self, PyObject *args);
PyObject *render_kernel(PyObject *self, PyObject *args);
PyObject *mark_kernel(PyObject *self, PyObject *args);
PyObject *lacking_kernel(PyObject *self, PyObject *args);
PyObject *add_row_kernel(PyObject *self, PyObject *args);
PyObject *mean_columns_kernel(PyObject *self, PyObject *args);
PyObject *box_round_kernel(PyObject *self, PyObject *args);
PyObject *box_along_kernel(PyObject *self, PyObject *args);
PyObject *angles_kernel(PyObject *self, PyObject *args);
PyObject *nearest_kernel(PyObject *self, PyObject *args);
PyObject *nearest_row_kernel(PyObject *self, PyObject *args);
PyObject *window_gap_kernel(PyObject *self, PyObject *args);
PyObject *pair_gaps_kernel(PyObject *self, PyObject *args);
PyObject *sweep_kernel(PyObject *self, PyObject *args);
PyObject *lossless_kernel(PyObject *self, PyObject *args);
PyObject *blocks_kernel(PyObject *self, PyObject *args);
PyObject *summary_kernel(PyObject *self, PyObject *args);
PyObject *shrink_kernel(PyObject *self, PyObject *args);
PyObject *shrink_finest_kernel(PyObject *self, PyObject *args);
PyObject *band_energies_kernel(PyObject *self, PyObject *args);
PyObject *sharpen_kernel(PyObject *self, PyObject *args);
PyObject *add_doubled_kernel(PyObject *self, PyObject *args);
PyObject *join_doubled_kernel(PyObject *self, PyObject *args);
PyObject *part_planes_kernel(PyObject *self, PyObject *args);
PyObject *join_planes_kernel(PyObject *self, PyObject *args);
PyObject *adapt_kernel(PyObject *self, PyObject *args);
PyObject *warp_kernel(PyObject *self, PyObject *args);
PyObject *merge_kernel(PyObject *self, PyObject *args);
PyObject *highest_share_kernel(PyObject *self, PyObject *args);
PyObject *enlarge_kernel(PyObject *self, PyObject *args);
PyObject *solve_field_kernel(PyObject *self, PyObject *args);
PyObject *best_line_kernel(PyObject *self, PyObject *args);

static PyMethodDef methods[] = {
    {"transform", transform_kernel, METH_VARARGS, NULL},
    {"fit", fit_kernel, METH_VARARGS, NULL},
    {"code", code_kernel, METH_VARARGS, NULL},
    {"shift", shift_kernel, METH_VARARGS, NULL},
    {"render", render_kernel, METH_VARARGS, NULL},
    {"mark", mark_kernel, METH_VARARGS, NULL},
    {"lacking", lacking_kernel, METH_VARARGS, NULL},
    {"add_row", add_row_kernel, METH_VARARGS, NULL},
    {"mean_columns", mean_columns_kernel, METH_VARARGS, NULL},
    {"box_round", box_round_kernel, METH_VARARGS, NULL},
    {"box_along", box_along_kernel, METH_VARARGS, NULL},
    {"angles", angles_kernel, METH_VARARGS, NULL},
    {"nearest", nearest_kernel, METH_VARARGS, NULL},
    {"nearest_row", nearest_row_kernel, METH_VARARGS, NULL},
    {"window_gap", window_gap_kernel, METH_VARARGS, NULL},
    {"pair_gaps", pair_gaps_kernel, METH_VARARGS, NULL},
    {"sweep", sweep_kernel, METH_VARARGS, NULL},
    {"lossless", lossless_kernel, METH_VARARGS, NULL},
    {"blocks", blocks_kernel, METH_VARARGS, NULL},
    {"summary", summary_kernel, METH_VARARGS, NULL},
    {"shrink", shrink_kernel, METH_VARARGS, NULL},
    {"shrink_finest", shrink_finest_kernel, METH_VARARGS, NULL},
    {"band_energies", band_energies_kernel, METH_VARARGS, NULL},
    {"sharpen", sharpen_kernel, METH_VARARGS, NULL},
    {"add_doubled", add_doubled_kernel, METH_VARARGS, NULL},
    {"join_doubled", join_doubled_kernel, METH_VARARGS, NULL},
    {"part_planes", part_planes_kernel, METH_VARARGS, NULL},
    {"join_planes", join_planes_kernel, METH_VARARGS, NULL},
    {"adapt", adapt_kernel, METH_VARARGS, NULL},
    {"warp", warp_kernel, METH_VARARGS, NULL},
    {"merge", merge_kernel, METH_VARARGS, NULL},
    {"highest_share", highest_share_kernel, METH_VARARGS, NULL},
    {"enlarge", enlarge_kernel, METH_VARARGS, NULL},
    {"solve_field", solve_field_kernel, METH_VARARGS, NULL},
    {"best_line", best_line_kernel, METH_VARARGS, NULL},
    {NULL, NULL, 0, NULL},
};

static PyModuleDef_Slot slots[] = {{0, NULL}};

static PyModuleDef module = {
    PyModuleDef_HEAD_INIT, "_kernels", "Compiled forms of panopipe.pixels.", 0, methods, slots,
    NULL, NULL, NULL,
};

PyMODINIT_FUNC PyInit__kernels(void) { return PyModuleDef_Init(&module); }

static int is_type(const Py_buffer *view, char asked)
{
    if (!view->format || strlen(view->format) != 1)
        return 0;
    char type = view->format[0];
    if (asked == ANY_SAMPLES)
        return strchr("BHf", type) != NULL;
    if (asked == 'i') /* 32 bits are a long on Windows */
        return (type == 'i' || type == 'l') && view->itemsize == 4;
    return type == asked;
}

static int is_as_asked(const Py_buffer *view, const Argument *asked, Arrays *arrays)
{
    if (!is_type(view, asked->type) || view->ndim != asked->sides)
        return 0;
    for (int side = 0; side < asked->sides; side++) {
        Py_ssize_t wanted = asked->shape[side], length = view->shape[side];
        if (wanted < 0) {
            Py_ssize_t *known = &arrays->length[-wanted - 1];
            if (*known < 0)
                *known = length;
            wanted = *known;
        }
        if (wanted != length)
            return 0;
    }
    return 1;
}

int open_arrays(PyObject *const *objects, const Argument *arguments, int count, Arrays *arrays)
{
    memset(arrays, 0, sizeof *arrays);
    for (int side = 0; side < MOST_SIDES; side++)
        arrays->length[side] = -1;
    for (int i = 0; i < count; i++) {
        int flags = PyBUF_C_CONTIGUOUS | PyBUF_FORMAT | (arguments[i].written ? PyBUF_WRITABLE : 0);
        if (PyObject_GetBuffer(objects[i], &arrays->view[i], flags) < 0) {
            close_arrays(arrays);
            return -1;
        }
        arrays->count = i + 1;
        if (!is_as_asked(&arrays->view[i], &arguments[i], arrays)) {
            PyErr_Format(PyExc_ValueError, "%s: not an array of the type and shape that goes with the others",
                         arguments[i].name);
            close_arrays(arrays);
            return -1;
        }
    }
    return 0;
}

int open_only_arrays(PyObject *args, const Argument *arguments, int count, Arrays *arrays)
{
    PyObject *objects[MOST_ARGUMENTS];
    if (PyTuple_Size(args) != count) {
        PyErr_Format(PyExc_TypeError, "takes %d arrays, not %zd", count, PyTuple_Size(args));
        return -1;
    }
    for (int i = 0; i < count; i++)
        objects[i] = PyTuple_GetItem(args, i);
    return open_arrays(objects, arguments, count, arrays);
}

void close_arrays(Arrays *arrays)
{
    for (int i = 0; i < arrays->count; i++)
        PyBuffer_Release(&arrays->view[i]);
    arrays->count = 0;
}

PyObject *end_kernel(Arrays *arrays, void *memory, const char *fault)
{
    int failed = !memory;
    PyMem_Free(memory);
    return end_arrays(arrays, failed, fault);
}

PyObject *end_arrays(Arrays *arrays, int failed, const char *fault)
{
    close_arrays(arrays);
    if (failed)
        return PyErr_NoMemory();
    if (fault) {
        PyErr_SetString(PyExc_ValueError, fault);
        return NULL;
    }
    Py_RETURN_NONE;
}
