#pragma once
#include <lobetime/inference/fitted_model.hpp>

#include <string>
#include <string_view>

namespace lobetime {

/// Version of the model file's layout; a reader refuses any other.
inline constexpr int kModelFileVersion = 5;

/// A model as JSON text. Holds no case row and no case id. Throws NotFinite naming the field if a number is not
/// finite, InvalidArgument if the text could not be read again: such a model is never written.
std::string model_to_json(const FittedModel& model);

/// The model of a JSON text; data only, nothing in it is ever executed.
///
/// Throws InvalidModelFile naming the field for anything but a whole, finite, consistent model of this version.
FittedModel model_from_json(std::string_view text);

}  // namespace lobetime
