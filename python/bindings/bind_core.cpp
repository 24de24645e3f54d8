#include <lobetime/core/errors.hpp>

#include <pybind11/pybind11.h>

namespace py = pybind11;

void bind_core(py::module_& m) {
    // Translators are tried last first, so a base stands before what derives from it.
    const auto error = py::register_exception<lobetime::Error>(m, "Error", PyExc_Exception);
    const auto value_error = py::make_tuple(error, py::reinterpret_borrow<py::object>(PyExc_ValueError));
    py::register_exception<lobetime::InvalidArgument>(m, "InvalidArgument", value_error);
    py::register_exception<lobetime::NotFinite>(m, "NotFinite", value_error);
    py::register_exception<lobetime::InvalidModelFile>(m, "InvalidModelFile", value_error);
    py::register_exception<lobetime::NotIdentifiable>(m, "NotIdentifiable", error);
    py::register_exception<lobetime::NotConverged>(m, "NotConverged", error);
}
